"""Scene files: what a scare consists of, checked."""
