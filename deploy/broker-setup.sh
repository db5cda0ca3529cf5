#!/usr/bin/env bash
# Set the broker up: its own authority and certificate, users, access lists, and where it listens.
#   sudo deploy/broker-setup.sh ADDRESS NODE [NODE ...]     for example: sudo deploy/broker-setup.sh 192.168.1.10 shed
# ADDRESS is this machine's own in the garden's network; nodes come there, with TLS only (port 8883). The service
# and people come over loopback (port 1883). Nothing else is listened on. Run again: what is there stays, but for
# the address. Passwords are made once, each shown once; broker-users.sh changes them.
# A garden with a rain gauge of its own names the user rain-gauge beside the nodes: it may say its count alone.
# FALLINGHEAD_BROKER_DIR, FALLINGHEAD_CA_DIR, FALLINGHEAD_TLS_PORT: others than the usual.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
broker=${FALLINGHEAD_BROKER_DIR:-/etc/mosquitto}
ca=${FALLINGHEAD_CA_DIR:-/etc/fallinghead/ca}
port=${FALLINGHEAD_TLS_PORT:-8883}
name=fallinghead-broker # what nodes ask for, whatever the address (firmware_stub/secure.py)
# A board has no clock: dates cannot protect. That the key stays on this machine does.
dates=(-startdate 700101000000Z -enddate 491231235959Z)

fail() { printf '%s\n' "$*" >&2; exit 1; }
[ "$#" -ge 2 ] || { sed -n '2,8s/^# //p' "$0" >&2; exit 2; }
address=$1; shift
case $address in
  *[!0-9.]*|''|.*|*.|*..*) fail "give the address as four numbers, such as 192.168.1.10; read: $address";;
  0.0.0.0|255.*|224.*|169.254.*) fail "not $address: this machine's own address in the garden's network, that one alone";;
esac
octet='(25[0-5]|2[0-4][0-9]|1[0-9][0-9]|[1-9]?[0-9])'
[[ $address =~ ^$octet(\.$octet){3}$ ]] || fail "no address: $address has to be four numbers from 0 to 255"
for tool in openssl mosquitto_passwd; do
  command -v "$tool" >/dev/null || fail "$tool is not installed: apt install openssl mosquitto"
done

umask 077
mkdir -p "$ca" "$broker/conf.d"
: > "$ca/index.txt"
[ -e "$ca/serial" ] || openssl rand -hex 8 > "$ca/serial"
cat > "$ca/rules.cnf" <<RULES
[ca]
default_ca = own
[own]
database = $ca/index.txt
serial = $ca/serial
new_certs_dir = $ca
default_md = sha256
policy = name
unique_subject = no
[name]
commonName = supplied
[req]
distinguished_name = asked
prompt = no
[asked]
commonName = $name
[authority]
basicConstraints = critical, CA:TRUE, pathlen:0
keyUsage = critical, keyCertSign, cRLSign
subjectKeyIdentifier = hash
[server]
basicConstraints = critical, CA:FALSE
keyUsage = critical, digitalSignature
extendedKeyUsage = serverAuth
subjectAltName = DNS:$name, IP:$address
RULES
sign() { # sign REQUEST CERTIFICATE SECTION [...]: with the authority's key
  openssl ca -batch -notext -config "$ca/rules.cnf" -keyfile "$ca/ca.key" -in "$1" -out "$2" \
    -extensions "$3" "${dates[@]}" "${@:4}" 2>"$ca/said" || { cat "$ca/said" >&2; fail "no certificate"; }
}
new_key() { openssl ecparam -name prime256v1 -genkey -noout -out "$1"; }
if [ ! -e "$ca/ca.crt" ]; then
  new_key "$ca/ca.key"
  openssl req -new -config "$ca/rules.cnf" -key "$ca/ca.key" -subj "/CN=Authority of this garden" -out "$ca/ask"
  sign "$ca/ask" "$ca/ca.crt" authority -selfsign
  echo "made the authority: $ca/ca.crt goes to the nodes (fallinghead node --ca), ca.key never leaves this machine"
fi
[ -e "$broker/fallinghead-server.key" ] || new_key "$broker/fallinghead-server.key"
openssl req -new -config "$ca/rules.cnf" -key "$broker/fallinghead-server.key" -subj "/CN=$name" -out "$ca/ask"
sign "$ca/ask" "$broker/fallinghead-server.crt" server -cert "$ca/ca.crt"
rm -f "$ca/ask" "$ca/said" "$ca"/*.pem "$ca"/*.old

cp "$here/mosquitto/fallinghead.acl" "$broker/fallinghead.acl"
sed "s#/etc/mosquitto/#$broker/#" "$here/mosquitto/fallinghead.conf" > "$broker/conf.d/fallinghead.conf"
cat > "$broker/conf.d/fallinghead-network.conf" <<CONF
# Made by deploy/broker-setup.sh. Nodes come here, with TLS only.
listener $port $address
certfile $broker/fallinghead-server.crt
keyfile $broker/fallinghead-server.key
tls_version tlsv1.2
max_connections 30
CONF
passwords=$broker/fallinghead.passwords
if [ -s "$passwords" ]; then
  echo "the users stay as they are; deploy/broker-users.sh gives new passwords"
else
  FALLINGHEAD_PASSWORDS=$passwords "$here/broker-users.sh" "$@"
fi
# Mosquitto reads these as its own user; the configuration holds no secret.
chmod 755 "$broker/conf.d"; chmod 644 "$broker"/conf.d/fallinghead*.conf "$broker/fallinghead-server.crt"
chmod 755 "$ca"; chmod 644 "$ca/ca.crt"
secret=("$broker/fallinghead.acl" "$broker/fallinghead-server.key" "$passwords")
if [ "$(id -u)" = 0 ] && getent group mosquitto >/dev/null; then chown root:mosquitto "${secret[@]}"; chmod 640 "${secret[@]}"; fi
echo "now: systemctl restart mosquitto"
