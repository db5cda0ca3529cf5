#!/usr/bin/env bash
# Install everything that the tests need and run them all: lint, types, import contracts, pytest, storms.
# Options go on to pytest and leave the storms out, for example: ./deploy/test.sh tests/hydraulics -k loops
set -euo pipefail
. "$(dirname "$0")/lib.sh"
export PATH="$PATH:/usr/sbin"
all_s=1050     # a change may take so long, with installing; some minutes less than where CI ends
storms_s=480

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
if [ -n "$installing" ]; then
  wait "$installing" || fail "apt could not install ${missing[*]}"
fi
if ! command -v chromium >/dev/null && ! command -v google-chrome >/dev/null; then
  say "this system has no package chromium; Playwright brings its own"
  "$venv/bin/playwright" install --with-deps chromium
fi
# One core's work for most of a minute: beside the tests, and told after them where it fails.
types=$(mktemp)
trap 'rm -f "$types"' EXIT
"$venv/bin/mypy" >"$types" 2>&1 & typing=$!
say "tests, and types beside them"
whole=
# Two more than there are cores: many tests wait for brokers and nodes.
[ "$#" -gt 0 ] || { whole=1; set -- -q -n "$(($(nproc) + 2))" --dist loadfile; }
passed=0
"$venv/bin/python" -m pytest "$@" || passed=$?
wait "$typing" || { cat "$types"; fail "the types do not fit"; }
if [ -n "$whole" ] && [ "$passed" = 0 ]; then
  # Eight minutes of them, or what is left of the time that a change may take.
  left=$((all_s - SECONDS))
  [ "$left" -lt "$storms_s" ] || left=$storms_s
  [ "$left" -gt 30 ] || left=30
  say "storms of faults and whole seasons, as many as fit into $left s"
  "$venv/bin/python" -m tests.simulation --seasons 200 --storms 3000 --workers "$(nproc)" \
    --seconds "$left" --wet 20000 --pairs 95 || passed=$?
fi
exit "$passed"
