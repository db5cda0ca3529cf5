# Shared by the scripts of this folder: a Python, a virtual environment, the packages. Sourced, not run.

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
venv=${FALLINGHEAD_VENV:-$root/.venv}
# Where this is set, each of the many processes that start here would compile all of its modules anew.
unset PYTHONDONTWRITEBYTECODE

say() { printf '== %s\n' "$*"; }
fail() { printf 'fallinghead: %s\n' "$*" >&2; exit 1; }

as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"
  elif command -v sudo >/dev/null; then sudo "$@"
  else fail "this needs root: run as root or install sudo ($*)"
  fi
}

find_python() {
  local name
  for name in python3.13 python3.12 python3.11 python3; do
    if command -v "$name" >/dev/null && "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      echo "$name"; return
    fi
  done
  fail "no Python 3.11 or newer was found; install it, for example: apt install python3 python3-venv"
}

make_venv() {  # an environment of the package's own; nothing to do when it is there already
  local python
  python=$(find_python) || exit 1
  if [ ! -x "$venv/bin/python" ]; then
    say "making a virtual environment in $venv"
    if ! "$python" -m venv "$venv" 2>/dev/null; then
      rm -rf "$venv"
      say "this Python has no venv; installing python3-venv"
      as_root apt-get update -qq
      as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq python3-venv >/dev/null
      "$python" -m venv "$venv" || fail "cannot make a virtual environment with $python"
    fi
  fi
}

install_package() {  # install_package EXTRAS: into that environment; quick when it is there already
  # What is loaded is compiled and kept then; all that is installed would be many times more.
  local extras=$1
  say "installing fallinghead$extras (a minute or two the first time)"
  "$venv/bin/python" -m pip install --quiet --no-compile --disable-pip-version-check --editable "$root$extras" \
    || fail "pip could not install the packages; is there a network?"
}
