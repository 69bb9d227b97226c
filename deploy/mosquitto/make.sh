#!/bin/sh
# Makes what a Mosquitto broker for kojimon needs: sudo sh deploy/mosquitto/make.sh [--folder DIR] --host HOST SITE BOX...
#
#   --folder DIR   where it goes; without it /etc/mosquitto/kojimon, and kojimon.conf beside the broker's own settings
#   --host HOST    name or address by which the broker is reached; again for each further one
#
# An authority and a certificate for the broker, a user for the site's kojimon, for the probes and the button of each box,
# and for people who look; and the list of who may do what. Run it again for more sites and boxes: keys, users and
# passwords that are there stay as they are. The passwords stand in clear in users.txt, which only root can read.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
folder="" hosts=""
years=10

fail() {
    printf 'make.sh: %s\n' "$*" >&2
    exit 1
}

while [ $# -gt 0 ]; do
    case $1 in
        --folder | --host)
            [ $# -ge 2 ] || fail "$1 wants something behind it"
            if [ "$1" = --folder ]; then folder=$2; else hosts="$hosts $2"; fi
            shift 2
            ;;
        -h | --help)
            sed -n '2,9s/^# \{0,1\}//p' "$0"
            exit 0
            ;;
        -*) fail "$1 is no option of mine; see: sh deploy/mosquitto/make.sh --help" ;;
        *) break ;;
    esac
done
[ -n "$hosts" ] || fail "--host is missing: expected the name or address by which the broker is reached"
[ $# -ge 2 ] || fail "expected a site and at least one box, as in: --host koji.lan home cellar attic"
for name in "$@"; do
    case $name in
        "" | *[!A-Za-z0-9_.-]*) fail "\"$name\": expected letters, digits, dots, - and _ in a name" ;;
    esac
done
command -v openssl >/dev/null || fail "openssl is missing: sudo apt install openssl"
command -v mosquitto_passwd >/dev/null || fail "mosquitto is missing: sudo apt install mosquitto"

system=no
if [ -z "$folder" ]; then
    folder=/etc/mosquitto/kojimon system=yes
    [ "$(id -u)" = 0 ] || fail "only root can write $folder; run it with sudo, or name a --folder"
fi
site=$1
shift
umask 077
mkdir -p "$folder"
cd "$folder"

# -- keys ---------------------------------------------------------------------------------------------------------------

new_key() { # REQUEST OPTIONS...
    openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes "$@" 2>/dev/null
}

alternatives() {
    list=""
    for host in $hosts; do
        case $host in
            *[!0-9.]*) list="$list,DNS:$host" ;;
            *) list="$list,IP:$host" ;;
        esac
    done
    printf 'subjectAltName=%s\n' "${list#,}"
}

make_keys() {
    if [ ! -e ca.pem ]; then
        new_key -x509 -days $((years * 366)) -subj "/CN=kojimon $site broker authority" \
            -addext "keyUsage=critical,keyCertSign,cRLSign" -keyout ca.key -out ca.pem
    fi
    alternatives >server.names.new
    if [ ! -e server.pem ] || ! cmp -s server.names.new server.names; then
        new_key -subj "/CN=kojimon broker" -keyout server.key -out server.csr
        openssl x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days $((years * 366)) \
            -extfile server.names.new -out server.pem 2>/dev/null
        rm -f server.csr
    fi
    mv server.names.new server.names
    chmod 644 ca.pem server.pem
}

# -- users ----------------------------------------------------------------------------------------------------------------

add_user() { # NAME
    touch users.txt passwords
    if grep -q "^$1:" users.txt; then return 0; fi
    line="$1:$(openssl rand -hex 16)"
    # Hashed in a file of its own: a password on a command line could be read by everybody meanwhile.
    printf '%s\n' "$line" >password.new
    mosquitto_passwd -U password.new
    cat password.new >>passwords
    rm -f password.new
    printf '%s\n' "$line" >>users.txt
}

make_users() {
    add_user "$site"
    add_user view
    for box in "$@"; do
        add_user "$site-$box-probes"
        add_user "$site-$box-button"
    done
}

# -- rights -----------------------------------------------------------------------------------------------------------------

rights_of_site() {
    printf '\nuser %s\ntopic readwrite kojimon/%s/#\ntopic read kojimon/+/heartbeat\ntopic read probes/%s/#\n' \
        "$site" "$site" "$site"
}

rights_of_box() { # BOX
    printf '\nuser %s-%s-probes\ntopic write probes/%s/%s/#\n' "$site" "$1" "$site" "$1"
    printf '\nuser %s-%s-button\ntopic read kojimon/%s/status\n' "$site" "$1" "$site"
    printf 'topic read kojimon/%s/%s/#\ntopic write kojimon/%s/%s/act\n' "$site" "$1" "$site" "$1"
}

make_rights() {
    if [ ! -e acl ]; then
        printf '# Written by make.sh. Nobody may do anything that does not stand here.\n' >acl
        printf '\nuser view\ntopic read kojimon/+/#\n' >>acl
    fi
    if ! grep -q "^user $site\$" acl; then rights_of_site >>acl; fi
    for box in "$@"; do
        if ! grep -q "^user $site-$box-probes\$" acl; then rights_of_box "$box" >>acl; fi
    done
}

make_keys
make_users "$@"
make_rights "$@"
if [ $system = yes ]; then
    # The broker reads its files as its own user; the authority's key and the clear passwords are not among them.
    chown root:mosquitto . server.key passwords acl
    chmod 750 .
    chmod 640 server.key passwords acl
    install -m 644 "$here/kojimon.conf" /etc/mosquitto/conf.d/kojimon.conf
    echo "Now: sudo systemctl restart mosquitto"
fi
echo "Passwords: $folder/users.txt. Give each board and each kojimon $folder/ca.pem."
