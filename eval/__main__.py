"""Entry point of `python -m eval`."""

from eval.cli import main

if __name__ == "__main__":
    main()
