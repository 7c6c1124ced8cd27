"""Lets ``python -m alertd`` do what the installed command does."""

from alertd.cli.main import main

if __name__ == "__main__":
    main()
