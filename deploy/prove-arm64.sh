#!/bin/sh
# Proves the installation on 64-bit ARM without a Pi, emulated: sudo sh deploy/prove-arm64.sh [--keep] FOLDER
#
# Makes a Debian below FOLDER with debootstrap (2 GB, kept for the next time), registers qemu's user emulation with the
# kernel, and inside: install.sh, `kojimon check`, and two hours of a simulated batch. Prints how long each took.
# It needs Debian's packages debootstrap and qemu-user-static, root, and a network; everything runs emulated, an order of
# magnitude slower than on the processor itself.
#
#   --keep    leave the installed root as it is, to look around: chroot FOLDER/root
#
# KOJIMON_SUITE (bookworm) and KOJIMON_ARCH (arm64) say which Debian; KOJIMON_WHEELS a folder of wheels instead of a network,
# KOJIMON_PARTS which heavy parts (install.sh --parts).
set -eu

here=$(cd "$(dirname "$0")/.." && pwd)
suite=${KOJIMON_SUITE:-bookworm} arch=${KOJIMON_ARCH:-arm64} wheels=${KOJIMON_WHEELS:-}
parts=${KOJIMON_PARTS:-}
keep=no

fail() {
    printf 'prove-arm64.sh: %s\n' "$*" >&2
    exit 1
}

if [ "${1:-}" = -h ] || [ "${1:-}" = --help ]; then
    sed -n '2,13s/^# \{0,1\}//p' "$0"
    exit 0
fi
if [ "${1:-}" = --keep ]; then
    keep=yes
    shift
fi
[ $# = 1 ] || fail "expected one folder; see: sh deploy/prove-arm64.sh --help"
[ "$(id -u)" = 0 ] || fail "only root may make a root file system and mount in it"
command -v debootstrap >/dev/null || fail "debootstrap is missing: sudo apt install debootstrap qemu-user-static"
mkdir -p "$1"
folder=$(cd "$1" && pwd)
root=$folder/root base=$folder/base-$suite-$arch
own=$(dpkg --print-architecture)

timed() { # WHAT COMMAND...
    what=$1
    shift
    began=$(date +%s)
    "$@" || fail "$what: failed"
    printf '%-34s %5d s\n' "$what" $(($(date +%s) - began))
}

# -- the emulator ---------------------------------------------------------------------------------------------------

register() {
    [ "$arch" != "$own" ] || return 0
    case $arch in
        arm64) name=qemu-aarch64 ;;
        armhf) name=qemu-arm ;;
        *) fail "$arch: which emulator is that? arm64 or armhf are known" ;;
    esac
    misc=/proc/sys/fs/binfmt_misc
    [ -e $misc/register ] || mount -t binfmt_misc binfmt_misc $misc || fail "binfmt_misc cannot be mounted"
    if [ ! -e $misc/$name ]; then
        [ -r /usr/lib/binfmt.d/$name.conf ] || fail "qemu-user-static is missing: sudo apt install qemu-user-static"
        cat /usr/lib/binfmt.d/$name.conf >$misc/register
    fi
}

# -- the root -----------------------------------------------------------------------------------------------------------

take_away() { # never across a mount: this machine's own /dev is bound in there
    for place in dev proc run; do
        if mountpoint -q "$root/$place"; then umount "$root/$place" || umount -l "$root/$place"; fi
        if mountpoint -q "$root/$place"; then fail "$root/$place cannot be unmounted; nothing was deleted"; fi
    done
    if [ "$1" = delete ]; then rm -rf --one-file-system "$root"; fi
}

leave() { if [ $keep = yes ]; then take_away leave; else take_away delete; fi; }

make_base() {
    # No mirror is named: debootstrap takes Debian's own.
    debootstrap --arch="$arch" --variant=minbase --include=python3,python3-venv,ca-certificates \
        "$suite" "$base.new" >"$folder/debootstrap.log"
    mv "$base.new" "$base"
}

make_root() {
    take_away delete
    cp -a "$base" "$root"
    mount --bind /dev "$root/dev"
    mount -t proc proc "$root/proc"
    mount -t tmpfs tmpfs "$root/run"
    # The network as this machine has it: names, and whose certificates it trusts.
    cp /etc/resolv.conf "$root/etc/resolv.conf"
    if [ -e /etc/ssl/certs/ca-certificates.crt ]; then cp -L /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/"; fi
}

inside() { chroot "$root" "$@"; }
as_kojimon() { inside runuser -u kojimon -- "$@"; }

install_it() {
    set -- --root "$root"
    if [ -n "$wheels" ]; then set -- "$@" --wheels "$wheels"; fi
    if [ -n "$parts" ]; then set -- "$@" --parts "$parts"; fi
    sh "$here/deploy/install.sh" "$@"
}

settings() {
    inside kojimon setup --yes --no-look --source simulated --zone Europe/Berlin
    # Two hours of the simulated batch; the settings as set-up wrote them run the whole of it.
    sed -i 's/^\( *\)kind: simulated$/&\n\1hours: 2/' "$root/etc/kojimon/kojimon.yaml"
}

batch() {
    as_kojimon kojimon run --quiet --config /etc/kojimon/kojimon.yaml
    as_kojimon kojimon --config /etc/kojimon/kojimon.yaml status --json >"$folder/status.json"
    grep -q '"hour"' "$folder/status.json" || fail "the batch left no trace: see $folder/status.json"
}

no_compiler() {
    for tool in cc gcc g++ make; do
        if inside sh -c "command -v $tool" >/dev/null; then fail "$tool is in there: the proof would not count"; fi
    done
}

register
[ -d "$base" ] || timed "base system ($suite, $arch)" make_base
trap leave EXIT
trap 'exit 1' INT TERM
timed "root copied" make_root
no_compiler
timed "install.sh" install_it
timed "kojimon setup" settings
timed "kojimon check" inside kojimon check
timed "two hours of a simulated batch" batch
printf '%s, Python %s, no compiler\n' "$(inside uname -m)" "$(inside python3 -c 'import platform; print(platform.python_version())')"
