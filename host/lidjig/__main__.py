"""`python -m lidjig` is the `lidjig` command."""

from lidjig.cli.main import main

if __name__ == "__main__":
    main()
