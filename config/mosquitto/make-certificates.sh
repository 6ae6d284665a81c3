#!/bin/sh
# Makes a certificate authority of your own and a certificate for the broker.
#
#   sudo ./make-certificates.sh FOLDER NAME [ADDRESS...]
#   sudo ./make-certificates.sh /etc/mosquitto/certs grillpi.local 192.0.2.17 2001:db8::17
#
# NAME and each ADDRESS are what phones and hubs call the broker. Copy FOLDER/ca.crt to each of them. Keep
# FOLDER/ca.key off the machine when you are done: who has it can pose as your broker.
#
# The broker's certificate lasts two years and a quarter, for phones take none that lasts over 825 days. Before
# that put ca.key back and run this again: it makes a new one of the same authority, which lasts ten years.
set -eu
[ $# -ge 2 ] || { sed -n '2,11s/^# \{0,1\}//p' "$0"; exit 2; }
folder=$1 name=$2
shift 2
mkdir -p "$folder"
cd "$folder"
if [ -e ca.crt ] && [ ! -e ca.key ]; then
    echo "$folder/ca.crt is there without its ca.key: put that beside it for a new certificate of the broker," \
        "or move ca.crt away for a new authority, which every phone must be given" >&2
    exit 1
fi
umask 077
told=$(mktemp)
trap 'rm -f "$told"' EXIT
quietly() {
    "$@" 2>"$told" && return
    cat "$told" >&2
    echo "no certificate was made for '$name': see above" >&2
    exit 1
}
alternatives="DNS:$name"
for address; do
    alternatives="$alternatives,IP:$address"
done
if [ ! -e ca.crt ]; then # a key alone is left of a run that failed
    quietly openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 3652 -sha256 \
        -subj "/CN=Authority of $name" -addext basicConstraints=critical,CA:TRUE \
        -addext keyUsage=critical,keyCertSign,cRLSign -keyout ca.key -out ca.crt
fi
quietly openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -sha256 \
    -subj "/CN=$name" -keyout server.key.new -out server.csr
printf '%s\n' "subjectAltName=$alternatives" basicConstraints=CA:FALSE extendedKeyUsage=serverAuth > server.ext
quietly openssl x509 -req -in server.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 820 -sha256 \
    -extfile server.ext -out server.crt.new
mv server.key.new server.key
mv server.crt.new server.crt
rm -f server.csr server.ext
chmod 644 ca.crt server.crt
chown mosquitto: server.key 2>/dev/null || echo "let the broker read $folder/server.key (it runs as another user)" >&2
echo "made $folder/server.crt and server.key for $alternatives, of the authority in ca.crt; to be renewed by" \
    "$(openssl x509 -in server.crt -noout -enddate | cut -d= -f2)"
