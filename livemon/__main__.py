"""`python -m livemon` is the same command as `livemon`."""

from livemon.cli import script

if __name__ == "__main__":
    script()
