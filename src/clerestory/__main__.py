"""`python -m clerestory`: the commands, where no script of that name is on the path."""

from clerestory.cli import main

if __name__ == "__main__":
    main()
