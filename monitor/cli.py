"""The command line: a service starts at once, any other command is for their library to read.

Errors are one line on standard error; the exit status is 2 for wrong usage, 1 for a fault.
"""

from __future__ import annotations

import os
import sys

from monitor.contract.errors import EntryRefused, NiterwatchError, SettingsError
from monitor.runtime.log_lines import error_prefix
from monitor.service_start import first_of, service_asked, start

USAGE, FAULT, INTERRUPTED = 2, 1, 130


def main() -> None:
    """Run the command line; the console script."""
    try:
        if asked := service_asked(sys.argv[1:]):
            start(asked)
        else:
            from monitor.commands import app

            app()
    except (NiterwatchError, BaseExceptionGroup) as error:
        fault = first_of(error)
        if not isinstance(fault, NiterwatchError):
            raise
        sys.stderr.write(f"{error_prefix()}niterwatch: {fault}\n")
        sys.exit(USAGE if isinstance(fault, SettingsError | EntryRefused) else FAULT)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(FAULT)


if __name__ == "__main__":
    main()
