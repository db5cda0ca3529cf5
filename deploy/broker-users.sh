#!/usr/bin/env bash
# Make the broker's users with passwords drawn at random, each shown once: the service, people, each node.
#   sudo deploy/broker-users.sh NODE [NODE ...]        for example: sudo deploy/broker-users.sh shed
# A garden with a rain gauge of its own names it beside the nodes: sudo deploy/broker-users.sh shed rain-gauge
# A user that exists gets a new password. FALLINGHEAD_PASSWORDS: another file than the usual one.
set -euo pipefail
file=${FALLINGHEAD_PASSWORDS:-/etc/mosquitto/fallinghead.passwords}
[ "$#" -gt 0 ] || { sed -n '2,5s/^# //p' "$0" >&2; exit 2; }
command -v mosquitto_passwd >/dev/null || { echo "mosquitto_passwd is not installed: apt install mosquitto" >&2; exit 1; }
for node in "$@"; do
  case $node in
    fallinghead|person) echo "a node cannot be called $node: that is a user of its own" >&2; exit 2;;
    *[!A-Za-z0-9._-]*|'') echo "a node's name has letters, digits, - _ . only; read: $node" >&2; exit 2;;
  esac
done
umask 077
[ -e "$file" ] || : > "$file"
for user in fallinghead person "$@"; do
  password=$(head -c 18 /dev/urandom | base64 | tr '+/' '-_')
  # On standard input, twice, so that no password stands in the list of processes.
  printf '%s\n%s\n' "$password" "$password" | mosquitto_passwd "$file" "$user" >/dev/null
  printf '%s %s\n' "$user" "$password"
done
# Mosquitto reads it as its own user.
if [ "$(id -u)" = 0 ] && getent group mosquitto >/dev/null; then chown root:mosquitto "$file"; chmod 640 "$file"; fi
