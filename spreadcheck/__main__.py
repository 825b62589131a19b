"""Run the command line as `python -m spreadcheck`."""

from spreadcheck.cli import main

if __name__ == "__main__":
    main()
