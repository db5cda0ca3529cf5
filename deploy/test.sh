#!/usr/bin/env bash
# Install everything that the tests need and run them all: lint, types, import contracts, pytest.
# Options go on to pytest, for example: ./deploy/test.sh tests/hydraulics -k loops
set -euo pipefail
. "$(dirname "$0")/lib.sh"
export PATH="$PATH:/usr/sbin"

missing=()
command -v mosquitto >/dev/null || missing+=(mosquitto)
command -v systemd-analyze >/dev/null || missing+=(systemd)  # it judges the unit
command -v chromium >/dev/null || command -v google-chrome >/dev/null || missing+=(chromium)

install_missing() {  # what Debian has; a Chromium that it has not comes from Playwright later
  local package
  as_root apt-get update -qq
  for package in "${missing[@]}"; do
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq "$package" >/dev/null \
      || [ "$package" = chromium ] || return 1
  done
}

make_venv
installing=
if [ "${#missing[@]}" -gt 0 ]; then
  say "installing ${missing[*]} beside the Python packages"
  as_root true  # asks for a password here if it must, not from the background
  install_missing & installing=$!
fi
install_package "[test]"
cd "$root"
say "lint"; "$venv/bin/ruff" check --quiet .; "$venv/bin/ruff" format --quiet --check .
say "import contracts"; "$venv/bin/lint-imports" --no-logo 2>/dev/null || "$venv/bin/lint-imports"
say "types"; "$venv/bin/mypy"
if [ -n "$installing" ]; then
  wait "$installing" || fail "apt could not install ${missing[*]}"
fi
if ! command -v chromium >/dev/null && ! command -v google-chrome >/dev/null; then
  say "this system has no package chromium; Playwright brings its own"
  "$venv/bin/playwright" install --with-deps chromium
fi
say "tests"
if [ "$#" -gt 0 ]; then exec "$venv/bin/python" -m pytest "$@"; fi
# One more than there are cores: many tests wait for brokers and nodes.
exec "$venv/bin/python" -m pytest -q -n "$(($(nproc) + 1))" --dist loadfile
