"""A scene and a profile become a plan: pure, but for the files that the scene names."""
