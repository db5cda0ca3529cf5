"""A daemon as a process, for tests: ``python run_daemon.py SITE.toml``; exits as the command would."""

from __future__ import annotations

import sys
from pathlib import Path

from scheduler.service.daemon import serve
from scheduler.service.log import set_up_log
from scheduler.site.errors import FallingheadError
from scheduler.site.reading import read_site


def main() -> int:
    try:
        site = read_site(Path(sys.argv[1]))
        set_up_log(site.place.timezone)
        return serve(site)
    except FallingheadError as error:
        print(error, file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
