"""Entry point of `python -m eval`. Loading it takes seconds, in which a request to stop is heard too."""

from pulsefind.core.stopping import stop_at_once

if __name__ == "__main__":
    stop_at_once("eval")
    from eval.cli import main

    main()
