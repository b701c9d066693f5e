"""`python3 host_tools <command>`: makes .venv on first use and hands over to the command aliquot.

This file only looks at the Python that runs it, so it is written for any Python to read; the work
is done in aliquot_host/bootstrap.py, which like this file uses the standard library only.
"""

import sys

if sys.version_info < (3, 11):
    sys.stderr.write(
        "aliquot needs Python 3.11 or newer, and this is %d.%d: name a newer one, for example "
        "`python3.12 host_tools`.\n" % tuple(sys.version_info[:2])
    )
    sys.exit(2)

from aliquot_host.bootstrap import main

sys.exit(main(sys.argv[1:]))
