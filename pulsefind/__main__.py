"""`pulsefind` and `python -m pulsefind` start here."""

from pulsefind.core.stopping import stop_at_once
from pulsefind.core.streams import open_closed


def main() -> None:
    """Run the command line; loading it takes a moment, in which a request to stop is heard too."""
    open_closed()
    stop_at_once("pulsefind")
    from pulsefind.cli.app import main as run

    run()


if __name__ == "__main__":
    main()
