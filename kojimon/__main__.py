"""`python -m kojimon`: the same as the command `kojimon`."""

from kojimon.cli.main import main

if __name__ == "__main__":
    main()
