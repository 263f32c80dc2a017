"""`python -m matcher` is the command `platekin`."""

from matcher.cli.start import main

if __name__ == "__main__":
    main()
