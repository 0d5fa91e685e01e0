"""Lets ``python -m ctrecon`` do what the command ``ctrecon`` does."""

from ctrecon.cli.main import entry

if __name__ == "__main__":
    entry()
