"""`python -m aliquot_host`: the command `aliquot` where its script is not on the path."""

from aliquot_host.cli import main

if __name__ == "__main__":
    main()
