"""`python -m cuesync` is the same as `cuesync`."""

from cuesync.cli import main

if __name__ == "__main__":
    main()
