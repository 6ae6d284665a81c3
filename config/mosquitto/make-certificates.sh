#!/bin/sh
# Makes a certificate authority of your own and a certificate for the broker, valid for 5 years.
#
#   sudo ./make-certificates.sh FOLDER NAME [ADDRESS]
#   sudo ./make-certificates.sh /etc/mosquitto/certs grillpi.local 192.0.2.17
#
# NAME and ADDRESS are what phones and hubs call the broker. Copy FOLDER/ca.crt to each of them. Keep
# FOLDER/ca.key off the machine when you are done: who has it can pose as your broker.
set -eu
[ $# -ge 2 ] || { sed -n '2,8s/^# \{0,1\}//p' "$0"; exit 2; }
folder=$1 name=$2 address=${3:-}
mkdir -p "$folder"
cd "$folder"
[ ! -e ca.key ] || { echo "$folder/ca.key exists already; move it away to make a new authority" >&2; exit 1; }
umask 077
alternatives="DNS:$name"
[ -z "$address" ] || alternatives="$alternatives,IP:$address"
openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 1826 -sha256 \
    -subj "/CN=Authority of $name" -addext basicConstraints=critical,CA:TRUE \
    -addext keyUsage=critical,keyCertSign,cRLSign -keyout ca.key -out ca.crt 2>/dev/null
openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -sha256 \
    -subj "/CN=$name" -keyout server.key -out server.csr 2>/dev/null
printf '%s\n' "subjectAltName=$alternatives" basicConstraints=CA:FALSE extendedKeyUsage=serverAuth > server.ext
openssl x509 -req -in server.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 1826 -sha256 \
    -extfile server.ext -out server.crt 2>/dev/null
rm -f server.csr server.ext
chmod 644 ca.crt server.crt
chown mosquitto: server.key 2>/dev/null || echo "let the broker read $folder/server.key (it runs as another user)" >&2
echo "made $folder/ca.crt, server.crt, server.key for $alternatives"
