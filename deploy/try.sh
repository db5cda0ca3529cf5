#!/usr/bin/env bash
# Install Fallinghead beside this checkout and run the practice garden through a dry fortnight.
# Everything goes into .venv; remove that folder and nothing is left. Options go on to `fallinghead practice`.
set -euo pipefail
. "$(dirname "$0")/lib.sh"
make_venv
install_package "[web]"
exec "$venv/bin/fallinghead" practice five-drums --days 14 --keep "$venv/practice" "$@"
