#!/bin/sh
# Installs kojimon as a service, or brings an installed one up to date: sudo sh deploy/install.sh [OPTIONS]
#
#   --root DIR     into the file system at DIR instead (a card being prepared, a container), by way of chroot
#   --wheels DIR   take every package from this folder, nothing from the network
#   --parts LIST   of the heavy parts only these: forecast,mirror,modbus,services (that is mail, push, chat, SMS);
#                  "none" or "all". Without it: as installed, all the first time
#   --no-start     start nothing
#   --uninstall    take program and service away; settings, data and user stay, and it is said where
#
# Run it again whenever you like: what is there already stays. An upgrade is built beside the running program, refused
# when it would not take your settings, and keeps a copy of the journal from before.
set -eu

here=$(cd "$(dirname "$0")/.." && pwd)
root="" wheels="" parts="" start=yes uninstall=no changed=no
program=/opt/kojimon config=/etc/kojimon state=/var/lib/kojimon
unit=/etc/systemd/system/kojimon.service
rules=/etc/udev/rules.d/70-kojimon.rules
limits=/etc/systemd/journald.conf.d/50-kojimon.conf
bash_completion=/usr/local/share/bash-completion/completions/kojimon
zsh_completion=/usr/local/share/zsh/site-functions/_kojimon
fish_completion=/usr/local/share/fish/vendor_completions.d/kojimon.fish
command=/usr/local/bin/kojimon

say() { printf '%s\n' "$*"; }
fail() {
    printf 'install.sh: %s\n' "$*" >&2
    exit 1
}

usage() {
    sed -n '2,13s/^# \{0,1\}//p' "$0"
    exit "$1"
}

while [ $# -gt 0 ]; do
    case $1 in
        --root | --wheels)
            if [ $# -lt 2 ] || [ ! -d "$2" ]; then fail "$1 wants a folder that is there, not \"${2:-}\""; fi
            if [ "$1" = --root ]; then root=$(cd "$2" && pwd); else wheels=$(cd "$2" && pwd); fi
            shift
            ;;
        --parts)
            parts=${2:-}
            case $parts in
                all | none) rest="" ;;
                *) rest=$(printf '%s,' "$parts" | sed -E 's/(forecast|mirror|modbus|services),//g') ;;
            esac
            if [ -z "$parts" ] || [ -n "$rest" ]; then
                fail "--parts wants all, none, or some of forecast,mirror,modbus,services, not \"$parts\""
            fi
            shift
            ;;
        --no-start) start=no ;;
        --uninstall) uninstall=yes ;;
        -h | --help) usage 0 ;;
        *)
            printf 'install.sh: %s is no option of mine\n\n' "$1" >&2
            usage 2 >&2
            ;;
    esac
    shift
done
[ "$(id -u)" = 0 ] || fail "only root can do that; run: sudo sh deploy/install.sh"

copy_source() { # FOLDER: builds leave traces in their source, and take up those of others
    mkdir -p "$1"
    (cd "$here" && tar cf - --exclude __pycache__ --exclude '*.egg-info' \
        kojimon sim config deploy pyproject.toml README.md LICENSE) | tar xf - -C "$1"
}

# Into another root: the source goes there for the time being, and the same script runs inside.
into_root() {
    copy=$root/opt/kojimon.source
    trap 'rm -rf "$copy"' EXIT
    rm -rf "$copy"
    copy_source "$copy"
    set -- --no-start
    if [ "$uninstall" = yes ]; then set -- "$@" --uninstall; fi
    if [ -n "$parts" ]; then set -- "$@" --parts "$parts"; fi
    if [ -n "$wheels" ]; then
        cp -R "$wheels" "$copy/wheels"
        set -- "$@" --wheels /opt/kojimon.source/wheels
    fi
    chroot "$root" /bin/sh /opt/kojimon.source/deploy/install.sh "$@"
}

if [ -n "$root" ] && [ "$root" != / ]; then
    into_root
    exit 0
fi

# -- what the system is asked for -----------------------------------------------------------------------------------

running_systemd() { [ -d /run/systemd/system ]; }
service() { if running_systemd; then systemctl "$@"; fi; }
as_kojimon() { runuser -u kojimon -- "$@"; }

make_user() {
    getent group kojimon >/dev/null || groupadd --system kojimon
    getent passwd kojimon >/dev/null ||
        useradd --system --gid kojimon --home-dir $state --no-create-home --shell /usr/sbin/nologin kojimon
    # Serial ports, loudspeaker, and what Raspberry Pi OS has for sensors on the pins.
    for group in dialout audio gpio i2c spi iio; do
        if getent group "$group" >/dev/null; then usermod --append --groups "$group" kojimon; fi
    done
    # Whoever installs it may use the commands: members of the group reach the service's local door.
    if [ -n "${SUDO_USER:-}" ] && [ "$SUDO_USER" != root ]; then usermod --append --groups kojimon "$SUDO_USER"; fi
}

make_folders() {
    install -d -m 0755 $config
    install -d -m 0700 $config/secrets
    install -d -m 0750 -o kojimon -g kojimon $state
    install -d -m 0755 $program
}

# -- the program -------------------------------------------------------------------------------------------------------

fingerprint() {
    # Of what gets installed, so that a second run has nothing to build. The order of the files must not count.
    print=$(cd "$here" && find kojimon sim config deploy pyproject.toml README.md -type f ! -path '*/__pycache__/*' |
        LC_ALL=C sort | xargs -d '\n' sha256sum | sha256sum | cut -d ' ' -f 1)
    say "$print $parts"
}

requirement() { # LIBRARY: as pyproject.toml wants it
    sed -n -E "s/.*\"($1[<>=!~][^\"]*)\".*/\1/p" "$here/pyproject.toml" | head -n 1
}

ready_made() { # PYTHON LIBRARY: whether it comes compiled for this computer
    set -- "$1" "$(requirement "$2")"
    set -- "$@" --quiet --disable-pip-version-check --no-deps --only-binary :all: --dest "$(dirname "$1")/ready"
    if [ -n "$wheels" ]; then set -- "$@" --no-index --find-links "$wheels"; fi
    python=$1
    shift
    "$python" -m pip download "$@" >/dev/null 2>&1
}

can_compile() { # PYTHON
    command -v cc >/dev/null && "$1" -c 'import os, sys, sysconfig
sys.exit(not os.path.exists(os.path.join(sysconfig.get_paths()["include"], "Python.h")))'
}

# Two libraries are compiled. Where one does not come ready-made (32-bit ARM), that is said before minutes are spent.
foresee() { # PYTHON
    if ready_made "$1" msgspec; then msgspec=ready; else msgspec=missing; fi
    numpy=ready
    case $parts in *all* | *forecast*) ready_made "$1" numpy || numpy=missing ;; esac
    if [ $msgspec$numpy = readyready ] || ! ready_made "$1" click; then
        rm -rf "$(dirname "$1")/ready"
        return 0 # without any registry in reach pip says that better
    fi
    todo="" without=$parts
    if [ $numpy = missing ]; then
        say "numpy, which the forecast wants, does not come ready-made for this computer; building it here would take hours."
        without=$(say "$parts" | sed -E 's/^all$/forecast,mirror,modbus,services/; s/forecast,?//; s/,$//; s/^$/none/')
    fi
    if [ $msgspec = missing ]; then
        say "The library msgspec does not come ready-made for this computer: it is compiled here, in some minutes."
        can_compile "$1" || todo="sudo apt install gcc python3-dev && "
    fi
    rm -rf "$(dirname "$1")/ready"
    if [ -n "$todo" ] || [ $numpy = missing ]; then
        fail "nothing was installed. Run this: ${todo}sudo sh deploy/install.sh --parts $without"
    fi
}

build() { # FOLDER
    . "$here/deploy/python.sh"
    # One that the service's user can run: a Python in somebody's home is none.
    python=$(find_python_behind runuser -u kojimon --)
    "$python" -m venv "$1"
    foresee "$1/bin/python"
    say "Making the program in $1 (a few minutes on a small Pi) ..."
    set -- "$1" --quiet --disable-pip-version-check --no-warn-script-location --prefer-binary --use-pep517
    if [ -n "$wheels" ]; then set -- "$@" --no-index --find-links "$wheels"; fi
    next_folder=$1
    shift
    copy_source "$next_folder/source.build"
    wanted=""
    if [ "$parts" != none ]; then wanted="[$parts]"; fi
    "$next_folder/bin/python" -m pip install "$@" "$next_folder/source.build$wanted"
    say "$parts" >"$next_folder/parts"
    rm -rf "$next_folder/source.build"
    install -d -m 0755 "$next_folder/share/doc/kojimon"
    cp -R "$here/README.md" "$here/config" "$next_folder/share/doc/kojimon/"
    # As the service runs it (PYTHONOPTIMIZE=2), for it may not write there. A library may hold a file for another Python.
    "$next_folder/bin/python" -m compileall -q -j 0 -o 2 -x /pip/ "$next_folder/lib" >/dev/null 2>&1 || true
    PYTHONOPTIMIZE=2 "$next_folder/bin/python" -c 'from kojimon.web.page.shown import compile_all; compile_all()'
    "$next_folder/bin/kojimon" --version >/dev/null
}

free_release() {
    number=1
    while [ -e "$program/release-$number" ]; do number=$((number + 1)); done
    say "$program/release-$number"
}

put_in_use() { # FOLDER
    ln -sfn "$1" $program/current.new
    mv -T $program/current.new $program/current
}

tidy_up() {
    # The release before stays: going back is one link (and the journal's copy, where its form changed).
    previous=$1
    for old in "$program"/release-*; do
        if [ "$old" != "$(readlink -f $program/current)" ] && [ "$old" != "$previous" ]; then rm -rf "$old"; fi
    done
}

journal_path() { # PROGRAM
    "$1/bin/kojimon" check --config $config/kojimon.yaml --json |
        "$1/bin/python" -c 'import json, sys; print(json.load(sys.stdin)["journal"]["path"])'
}

carry_over() { # PROGRAM: settings it takes, the journal copied and brought to its form
    [ -e $config/kojimon.yaml ] || return 0
    if ! "$1/bin/kojimon" check --config $config/kojimon.yaml; then
        say "The new kojimon does not take these settings; the old one stays in use. Mend them, then run this again."
        return 1
    fi
    journal=$(journal_path "$1") || return 1
    [ -e "$journal" ] || return 0
    if running_systemd && systemctl is-active --quiet kojimon; then
        say "Stopping the service for the upgrade."
        systemctl stop kojimon
    fi
    as_kojimon "$1/bin/kojimon" --config $config/kojimon.yaml journal backup $state/before-upgrade &&
        as_kojimon "$1/bin/kojimon" --config $config/kojimon.yaml journal migrate
}

upgrade() {
    was=$(readlink -f $program/current 2>/dev/null || true)
    [ -n "$parts" ] || parts=$(cat "$was/parts" 2>/dev/null || say all)
    print=$(fingerprint)
    if [ -n "$was" ] && [ "$(cat "$was/source" 2>/dev/null)" = "$print" ]; then
        say "The program is up to date."
        return 0
    fi
    next=$(free_release)
    trap 'rm -rf "$next"' EXIT
    build "$next"
    if ! carry_over "$next"; then
        if [ -n "$was" ]; then start_again; fi
        fail "nothing was changed but, perhaps, a copy of the journal in $state/before-upgrade"
    fi
    say "$print" >"$next/source"
    put_in_use "$next"
    changed=yes
    trap - EXIT
    tidy_up "$was"
}

# -- the system around it ------------------------------------------------------------------------------------------------

place() { # FILE TARGET: whether that changed anything
    if cmp -s "$1" "$2"; then return 1; fi
    install -D -m 0644 "$1" "$2"
}

completion() { # SHELL TARGET
    install -d -m 0755 "$(dirname "$2")"
    if env "_KOJIMON_COMPLETE=$1_source" $program/current/bin/kojimon >"$2.new" 2>/dev/null; then
        mv "$2.new" "$2"
    else
        rm -f "$2.new"
    fi
}

surround() {
    ln -sfn $program/current/bin/kojimon $command
    completion bash $bash_completion
    completion zsh $zsh_completion
    completion fish $fish_completion
    if place "$here/deploy/kojimon.service" $unit; then
        changed=yes
        service daemon-reload
    fi
    if place "$here/deploy/journald.conf" $limits; then service try-restart systemd-journald; fi
    if place "$here/deploy/kojimon.rules" $rules && running_systemd && command -v udevadm >/dev/null; then
        # Without udev's own service (a container) there is nothing to tell.
        { udevadm control --reload && udevadm trigger --subsystem-match=tty --action=change; } 2>/dev/null || true
    fi
}

start_again() { # only where that changes something: a watched batch is not interrupted for nothing
    [ "$start" = yes ] && running_systemd || return 0
    systemctl is-enabled --quiet kojimon 2>/dev/null || return 0
    if [ $changed = no ] && systemctl is-active --quiet kojimon; then return 0; fi
    systemctl restart kojimon
    say "The service runs."
}

remove() {
    if running_systemd && [ -e $unit ]; then systemctl disable --now kojimon || true; fi
    rm -f $unit /etc/systemd/system/multi-user.target.wants/kojimon.service $rules $limits
    rm -f $bash_completion $zsh_completion $fish_completion
    if [ "$(readlink $command 2>/dev/null)" = $program/current/bin/kojimon ]; then rm -f $command; fi
    rm -rf $program
    service daemon-reload
    say "The program and the service are gone. What stays, and is yours to delete:"
    say "  $state    the journal: every reading, batch and note"
    say "  $config        settings, passwords and tokens"
    say "  the user and group kojimon"
}

if [ "$uninstall" = yes ]; then
    remove
    exit 0
fi

make_user
make_folders
upgrade
surround
if [ -e $config/kojimon.yaml ]; then
    start_again
    say "Installed. How it stands: kojimon status"
else
    say "Installed. Next: sudo kojimon setup"
    if [ -n "${SUDO_USER:-}" ]; then say "Log out and in once, so that $SUDO_USER may use the commands without sudo."; fi
fi
