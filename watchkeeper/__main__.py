"""`python -m watchkeeper` is `watchkeeper`."""

from watchkeeper.cli import main

if __name__ == "__main__":
    main(prog_name="watchkeeper")
