"""`python -m misfire` is the command `misfire`."""

from misfire.cli.app import main

if __name__ == "__main__":
    main()
