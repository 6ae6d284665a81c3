#!/bin/sh
# Installs Coalminder on Raspberry Pi OS or Debian: program in /opt/coalminder, units, udev rules, a first
# configuration. Changes nothing that is already there under /etc/coalminder. Run as root from the source folder:
#     sudo sh systemd/install.sh                    installs, or upgrades what is there
#     sudo sh systemd/install.sh --with page,push   the same, with extras: page push replay calibrate demo bench
#     sudo sh systemd/install.sh --uninstall        removes program, units and rules; keeps what is yours
# For packaging and tests: `install.sh --files-only DIR` only puts the files under DIR; `--uninstall DIR` takes
# them away.
set -eu

here=$(cd "$(dirname "$0")/.." && pwd)
root=""
what=install
extras=pi
units="coalminder.service coalminder@.service
    coalminder-page.service coalminder-page@.service coalminder-push.service coalminder-push@.service"

refuse() {
    echo "install.sh: $1" >&2
    exit 2
}

[ "${1:-}" = --with ] || [ $# -le 2 ] || refuse "'$3' is a word too many; put a path with blanks in quotes"
case "${1:-}" in
"") ;;
--with)
    shift # "page,push", "page, push" and "page push" are the same
    for extra in $(echo "$*" | tr ',' ' '); do
        case $extra in
        page | push | replay | calibrate | demo | bench) extras="$extras,$extra" ;;
        *) refuse "unknown extra '$extra'; choose from page, push, replay, calibrate, demo, bench" ;;
        esac
    done
    [ "$extras" != pi ] || refuse "say which extras: install.sh --with page,push"
    ;;
--files-only)
    what=files
    root=${2:?say where: install.sh --files-only DIR}
    ;;
--uninstall)
    what=uninstall
    root=${2:-}
    ;;
*) refuse "unknown word '$1'; use no word, --with EXTRA,EXTRA, --uninstall, or --files-only DIR" ;;
esac
[ -n "$root" ] || [ "$(id -u)" = 0 ] || refuse "run it as root: sudo sh systemd/install.sh"

tell_system() {
    if [ -z "$root" ] && [ -d /run/systemd/system ]; then
        systemctl daemon-reload
        udevadm control --reload
    fi
}

if [ "$what" = uninstall ]; then
    if [ -z "$root" ] && [ -d /run/systemd/system ]; then
        # an ordinary stop: the vents are shut
        more=$(systemctl list-units --all --plain --no-legend 'coalminder*@*.service' | cut -d ' ' -f 1)
        for unit in coalminder.service $more coalminder-page.service coalminder-push.service; do
            systemctl disable --now "$unit" || echo "   without $unit"
        done
    fi
    for unit in $units; do
        rm -f "$root/etc/systemd/system/$unit"
    done
    rm -f "$root"/etc/systemd/system/multi-user.target.wants/coalminder*@*.service # of grills that do not run
    rm -f "$root/etc/udev/rules.d/70-coalminder.rules"
    rm -rf "$root/opt/coalminder"
    [ "$(readlink "$root/usr/local/bin/coalminder")" != /opt/coalminder/bin/coalminder ] ||
        rm -f "$root/usr/local/bin/coalminder"
    tell_system
    cat <<EOT
Removed: program, units, rules. Kept, for you to delete if you want to (the second line: all your records):
  sudo rm -r /etc/coalminder
  sudo rm -r /var/lib/coalminder
  sudo userdel coalminder; sudo userdel coalminder-phone
EOT
    exit 0
fi

if [ "$what" = install ]; then
    echo "1/5 packages of the system"
    apt-get update
    apt-get install -y --no-install-recommends python3-venv
    # The bus libraries that have no wheel for every Python; missing ones only matter for their own driver.
    for package in python3-spidev python3-lgpio; do
        apt-get install -y --no-install-recommends "$package" || echo "   without $package"
    done

    echo "2/5 users and groups"
    for group in gpio spi i2c; do
        getent group "$group" >/dev/null || groupadd --system "$group"
    done
    getent passwd coalminder >/dev/null || useradd --system --user-group --no-create-home \
        --home-dir /var/lib/coalminder --shell /usr/sbin/nologin coalminder
    usermod --append --groups gpio,spi,i2c coalminder # for check and calibrate, which run outside the unit
    install -d -m 0750 -o coalminder -g coalminder /var/lib/coalminder
    # page and push only talk to the broker: a user that reaches neither pins nor records
    getent passwd coalminder-phone >/dev/null || useradd --system --user-group --no-create-home \
        --home-dir /nonexistent --shell /usr/sbin/nologin coalminder-phone

    echo "3/5 program in /opt/coalminder, extras: $extras"
    # It sees the system's packages, for spidev and lgpio.
    python3 -I -m venv --system-site-packages /opt/coalminder # -I: no module from the folder of the call
    # Built from a copy: nothing of root's stays in your folder.
    copy=$(mktemp -d)
    trap 'rm -rf "$copy"' EXIT
    cp -R "$here/pyproject.toml" "$here/README.md" "$here/LICENSE" "$here/daemon" "$copy/"
    rm -rf "$copy"/daemon/*.egg-info
    # Wheels only, at the locked versions: a board needs no compiler.
    /opt/coalminder/bin/pip install --quiet --only-binary=:all: --constraint "$here/requirements.lock" "${copy}[$extras]"
    chmod -R a+rX /opt/coalminder # root's umask may be strict; the service's user must be able to run it
    ln -sf /opt/coalminder/bin/coalminder /usr/local/bin/coalminder
fi

echo "4/5 units, rules, first configuration"
install -d -m 0755 "$root/etc/systemd/system" "$root/etc/udev/rules.d" "$root/etc/coalminder"
install -d -m 0700 "$root/etc/coalminder/credentials"
install -d -m 0750 "$root/etc/coalminder/page"
[ "$what" != install ] || chgrp coalminder-phone /etc/coalminder/page
for unit in $units; do
    install -m 0644 "$here/systemd/$unit" "$root/etc/systemd/system/"
done
install -m 0644 "$here/systemd/70-coalminder.rules" "$root/etc/udev/rules.d/"
if [ -e "$root/etc/coalminder/coalminder.toml" ]; then
    echo "   kept your $root/etc/coalminder/coalminder.toml"
else
    install -m 0644 "$here/config/coalminder.toml" "$root/etc/coalminder/"
fi
# the configuration, the units and what the program says name these pages
install -d -m 0755 "$root/opt/coalminder/docs"
install -m 0644 "$here"/docs/*.md "$root/opt/coalminder/docs/"

if [ "$what" = install ] && [ -d /run/systemd/system ]; then
    echo "5/5 telling systemd and udev"
    tell_system
    udevadm trigger --subsystem-match=gpio --subsystem-match=spidev --subsystem-match=i2c-dev --subsystem-match=pwm
fi

cat <<EOT

Next:
  1. Buses: take the lines you need from systemd/config.txt.coalminder into /boot/firmware/config.txt; restart.
  2. Wiring: sudo nano /etc/coalminder/coalminder.toml (sections [probes] and [vents]).
  3. With a broker (docs/mqtt.md), its password: type it, Enter, Ctrl-D after
     sudo install -m 600 /dev/stdin /etc/coalminder/credentials/mqtt_password
  4. Try it, the kettle cold, fingers off the vents: sudo -u coalminder coalminder check
     and with the password: sudo env CREDENTIALS_DIRECTORY=/etc/coalminder/credentials coalminder check
  5. Start it: sudo systemctl enable --now coalminder
     After an upgrade, when no fire burns: sudo systemctl restart 'coalminder*'
The page for a phone and pushed alarms: this script with '--with page,push', then docs/page.md and docs/mqtt.md.
Outdoors only: burning charcoal makes carbon monoxide.
EOT
