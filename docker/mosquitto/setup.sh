#!/bin/sh
# Makes what a broker needs and cannot be shipped: accounts with passwords, and certificates.
#
#   sh docker/mosquitto/setup.sh FOLDER HOST USER...
#
#   FOLDER   where they go: /etc/mosquitto/littoral, or docker/broker for compose.yaml
#   HOST     name or IP address by which boards reach the broker
#   USER...  accounts: littoral, hub, and the id of each tank whose board connects
#
# Each password is printed once. What is there stays as it is, so call it again to add an account;
# then let the broker read its files again (SIGHUP). To make a certificate anew, remove server.crt.
# OWNER=1883 (the image's user) or another gives the files to the broker's user; by default
# mosquitto, if there is such a user and this is run as root.
set -eu
umask 077

die() {
    echo "setup.sh: $*" >&2
    exit 2
}

[ $# -ge 3 ] || die "needs FOLDER HOST USER...; for example /etc/mosquitto/littoral tanks.lan littoral hub reed"
beside=$(cd "$(dirname "$0")" && pwd)
folder=$1
host=$2
shift 2
for user; do
    case $user in
    *[!a-z0-9-]*) die "the account is $user; allowed: a-z, 0-9 and -" ;;
    esac
done
case $host in
*[!A-Za-z0-9.:-]*) die "the host is $host; allowed: a name or an IP address" ;;
*:* | *[0-9].*[0-9].*[0-9].*[0-9]) name=IP:$host ;;
*) name=DNS:$host ;;
esac
mkdir -p "$folder"
cd "$folder"

[ -e acl ] || cp "$beside/acl" acl

key="ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"
if [ ! -e ca.crt ]; then
    # shellcheck disable=SC2086  # several words
    openssl req -x509 -newkey $key -days 7300 -subj "/CN=Authority of the broker $host" \
        -addext "basicConstraints=critical,CA:TRUE,pathlen:0" -addext "keyUsage=critical,keyCertSign" \
        -keyout ca.key -out ca.crt 2>/dev/null
fi
if [ ! -e server.crt ]; then
    printf '%s\n' "subjectAltName=$name,DNS:broker,DNS:localhost,IP:127.0.0.1" \
        "basicConstraints=CA:FALSE" "keyUsage=digitalSignature" "extendedKeyUsage=serverAuth" \
        "authorityKeyIdentifier=keyid" >extensions
    # shellcheck disable=SC2086
    openssl req -newkey $key -subj "/CN=$host" -keyout server.key -out request 2>/dev/null
    openssl x509 -req -in request -CA ca.crt -CAkey ca.key -set_serial "0x$(openssl rand -hex 16)" \
        -days 3650 -extfile extensions -out server.crt 2>/dev/null
    rm request extensions
fi
openssl x509 -in ca.crt -outform DER -out ca.der # for boards

[ -e passwords ] || : >passwords
for user; do
    if grep -q "^$user:" passwords; then
        echo "$user: has an account already"
        continue
    fi
    password=$(openssl rand -hex 16)
    # not as an argument: those can be seen in the list of processes
    echo "$user:$password" >new
    mosquitto_passwd -U new
    cat new >>passwords
    rm new
    echo "$user: $password"
done

chmod 755 .
chmod 644 ca.crt ca.der server.crt acl
if [ "$(id -u)" -eq 0 ]; then
    owner=${OWNER:-mosquitto}
    [ -z "${OWNER:-}" ] && ! id mosquitto >/dev/null 2>&1 || chown "$owner" passwords server.key acl
fi
