#!/usr/bin/env bash
# Install everything that the tests need and run them all: lint, types, import contracts, pytest.
# Options go on to pytest, for example: ./deploy/test.sh tests/hydraulics -k loops
set -euo pipefail
. "$(dirname "$0")/lib.sh"
export PATH="$PATH:/usr/sbin"
if ! command -v mosquitto >/dev/null; then
  say "installing the Mosquitto broker"
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq mosquitto >/dev/null
fi
if ! command -v systemd-analyze >/dev/null; then
  say "installing systemd-analyze, which judges the unit"
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq systemd >/dev/null
fi
make_venv "[test]"
if ! command -v chromium >/dev/null && ! command -v google-chrome >/dev/null; then
  say "installing Chromium, in which the page is tried"
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq chromium >/dev/null \
    || "$venv/bin/playwright" install --with-deps chromium
fi
cd "$root"
say "lint"; "$venv/bin/ruff" check --quiet .; "$venv/bin/ruff" format --quiet --check .
say "types"; "$venv/bin/mypy"
say "import contracts"; "$venv/bin/lint-imports" --no-logo 2>/dev/null || "$venv/bin/lint-imports"
say "tests"
if [ "$#" -gt 0 ]; then exec "$venv/bin/python" -m pytest "$@"; fi
# One more than there are cores: many tests wait for brokers and nodes.
exec "$venv/bin/python" -m pytest -q -n "$(($(nproc) + 1))" --dist loadfile
