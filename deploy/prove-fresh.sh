#!/bin/sh
# Proves that the two commands of README.md work on a fresh machine: sudo sh deploy/prove-fresh.sh [--keep] FOLDER [SUITE...]
#
# For each SUITE (bookworm and trixie, Debian 12 and 13) it makes a bare root below FOLDER with debootstrap (kept as
# FOLDER/base-SUITE for the next time), copies what git has of this folder there, and runs what README.md says under
# "Try it": first the line that installs what kojimon wants of the system, then the two commands. What they print goes to
# FOLDER/SUITE.log as well. It needs root, debootstrap and git; some minutes for the first command, more for the tests.
#
#   --keep    leave the roots as they are, to look around: chroot FOLDER/SUITE
#
# The mirror and what else apt and pip need for the network are those of this machine: its sources, proxies, certificates,
# pip's settings, and folders of packages named in them.
set -eu

here=$(cd "$(dirname "$0")/.." && pwd)
keep=no

fail() {
    printf 'prove-fresh.sh: %s\n' "$*" >&2
    exit 1
}

if [ "${1:-}" = -h ] || [ "${1:-}" = --help ]; then
    sed -n '2,12s/^# \{0,1\}//p' "$0"
    exit 0
fi
[ "$(id -u)" = 0 ] || fail "only root may make a root file system and mount in it"
# In a mount namespace of its own: what is mounted is seen nowhere else, and gone when this ends.
[ -n "${KOJIMON_APART:-}" ] || exec env KOJIMON_APART=yes unshare --mount sh "$0" "$@"
command -v debootstrap >/dev/null || fail "debootstrap is missing: sudo apt install debootstrap"
if [ "${1:-}" = --keep ]; then
    keep=yes
    shift
fi
[ $# -ge 1 ] || fail "expected a folder; see: sh deploy/prove-fresh.sh --help"
mkdir -p "$1"
folder=$(cd "$1" && pwd)
shift
[ $# -ge 1 ] || set -- bookworm trixie

# -- what README.md says ----------------------------------------------------------------------------------------------

said() { # START: the line of the section that begins with it, without the remark behind
    sed -n '/^## Try it/,/^## /p' "$here/README.md" | sed -n "s/^\($1.*\)/\1/p" | sed 's/ *#.*//' | head -n 1
}

prerequisite=$(said 'sudo apt install')
first=$(said 'sh deploy\/start')
second=$(said 'sh deploy\/test')
for one in "$prerequisite" "$first" "$second"; do [ -n "$one" ] || fail "README.md says them not under \"Try it\""; done

# -- the root -----------------------------------------------------------------------------------------------------------

mirror() { # where this machine has Debian itself from
    # shellcheck disable=SC2016 # apt fills them in
    apt-get indextargets --format '$(REPO_URI)' 'Created-By: Packages' 'Origin: Debian' 'Label: Debian' | head -n 1
}

make_base() { # SUITE
    [ ! -d "$folder/base-$1" ] || return 0
    from=$(mirror)
    debootstrap --variant=minbase "$1" "$folder/base-$1.new" ${from:+"$from"} >"$folder/debootstrap-$1.log" ||
        fail "debootstrap: see $folder/debootstrap-$1.log"
    mv "$folder/base-$1.new" "$folder/base-$1"
}

take_away() { # never across a mount: this machine's own /dev is bound in there
    cut -d ' ' -f 2 /proc/mounts | grep "^$root\(/\|\$\)" | sort -r | while read -r place; do umount -l "$place"; done
    if [ "$1" = delete ]; then rm -rf --one-file-system "$root"; fi
}

leave() { if [ $keep = yes ]; then take_away leave; else take_away delete; fi; }

carry_over() { # the network as this machine has it
    cp -L /etc/resolv.conf "$root/etc/resolv.conf"
    echo '127.0.0.1 localhost' >"$root/etc/hosts" # an installer writes it, debootstrap does not
    apt-config dump Acquire | grep -E '^Acquire::(https?|ftp)::' >"$root/etc/apt/apt.conf.d/90network" || true
    for file in /etc/pip.conf /etc/xdg/pip /etc/ssl/certs/ca-certificates.crt /usr/local/share/ca-certificates; do
        if [ -e $file ]; then mkdir -p "$root${file%/*}" && cp -RL $file "$root${file%/*}/"; fi
    done
    mkdir -p "$root/root/.config"
    if [ -d "$HOME/.config/pip" ]; then cp -RL "$HOME/.config/pip" "$root/root/.config/"; fi
    # Folders of packages that pip is told to look into; an index names files beside itself.
    { cat /etc/pip.conf /etc/xdg/pip/pip.conf "$HOME/.config/pip/pip.conf" 2>/dev/null; env | grep '^PIP_' || true; } |
        sed 's|[= ]|\n|g' | sed -n 's|^file://||; s|/simple/*$||; \|^/|p' | sort -u | while read -r place; do
        if [ -d "$place" ]; then
            mkdir -p "$root$place"
            mount --bind -o ro "$place" "$root$place"
        fi
    done
}

make_root() { # SUITE
    root=$folder/$1
    take_away delete
    cp -a "$folder/base-$1" "$root"
    mount --bind "$root" "$root" # tests have roots of their own, for which this one must be a mount
    mount -t proc proc "$root/proc"
    mount --rbind /dev "$root/dev"
    mount --rbind /sys "$root/sys"
    mount -t tmpfs tmpfs "$root/run"
    carry_over
    mkdir "$root/root/kojimon"
    git -C "$here" archive HEAD | tar xf - -C "$root/root/kojimon"
}

# -- the two commands -----------------------------------------------------------------------------------------------------

inside() { # COMMAND, in the folder a person would stand in, with nothing of this machine's but its network
    env | grep -E '^(PIP_[A-Z_]*|[a-zA-Z]*_(proxy|PROXY)|SSL_CERT_[A-Z]*|REQUESTS_CA_BUNDLE)=' >"$root/root/network" || true
    echo "\$ $1"
    # shellcheck disable=SC2016 # the shell inside fills them in
    env -i HOME=/root TERM=xterm LANG=C.UTF-8 PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
        chroot "$root" sh -c 'while read -r line; do export "$line"; done <~/network; cd ~/kojimon && eval "$1"' sh "$1" \
        </dev/null
}

whole() { # SUITE: the root has no sudo and one user, root
    inside "apt-get update -qq && DEBIAN_FRONTEND=noninteractive ${prerequisite#sudo } -y -qq >/dev/null" || return 1
    for one in "$first" "$second"; do
        began=$(date +%s)
        inside "$one" || return 1
        echo "[$one: $(($(date +%s) - began)) s]"
    done
}

broken=""
for suite in "$@"; do
    echo "== $suite"
    make_base "$suite"
    make_root "$suite"
    trap leave EXIT
    trap 'exit 1' INT TERM
    { whole || touch "$folder/$suite.failed"; } 2>&1 | tee "$folder/$suite.log"
    leave
    trap - EXIT
    if [ -e "$folder/$suite.failed" ]; then
        rm "$folder/$suite.failed"
        broken="$broken $suite"
    fi
done
[ -z "$broken" ] || fail "not as README.md says on:$broken"
