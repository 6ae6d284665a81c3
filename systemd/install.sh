#!/bin/sh
# Installs Coalminder on Raspberry Pi OS or Debian: program in /opt/coalminder, units, udev rules, a first
# configuration. Changes nothing that is already there under /etc/coalminder. Run as root from the source folder:
#     sudo sh systemd/install.sh
# For packaging and tests: `install.sh --files-only DIR` only puts the files under DIR.
set -eu

here=$(cd "$(dirname "$0")/.." && pwd)
root=""
files_only=no
if [ "${1:-}" = "--files-only" ]; then
    files_only=yes
    root=${2:?say where: install.sh --files-only DIR}
elif [ -n "${1:-}" ]; then
    echo "install.sh: unknown word '$1'; use no word, or --files-only DIR" >&2
    exit 2
elif [ "$(id -u)" != 0 ]; then
    echo "install.sh: run it as root: sudo sh systemd/install.sh" >&2
    exit 2
fi

if [ "$files_only" = no ]; then
    echo "1/5 packages of the system"
    apt-get install -y --no-install-recommends python3-venv
    # The bus libraries that have no wheel for every Python; missing ones only matter for their own driver.
    for package in python3-spidev python3-lgpio; do
        apt-get install -y --no-install-recommends "$package" || echo "   without $package"
    done

    echo "2/5 user and groups"
    for group in gpio spi i2c; do
        getent group "$group" >/dev/null || groupadd --system "$group"
    done
    getent passwd coalminder >/dev/null || useradd --system --user-group --no-create-home \
        --home-dir /var/lib/coalminder --shell /usr/sbin/nologin coalminder
    usermod --append --groups gpio,spi,i2c coalminder # for check and calibrate, which run outside the unit
    install -d -m 0750 -o coalminder -g coalminder /var/lib/coalminder

    echo "3/5 program in /opt/coalminder"
    # It sees the system's packages, for spidev and lgpio.
    python3 -m venv --system-site-packages /opt/coalminder
    # Wheels only, at the locked versions: a board needs no compiler.
    /opt/coalminder/bin/pip install --quiet --only-binary=:all: --constraint "$here/requirements.lock" "${here}[pi]"
    ln -sf /opt/coalminder/bin/coalminder /usr/local/bin/coalminder
fi

echo "4/5 units, rules, first configuration"
install -d -m 0755 "$root/etc/systemd/system" "$root/etc/udev/rules.d" "$root/etc/coalminder"
install -d -m 0700 "$root/etc/coalminder/credentials"
install -m 0644 "$here/systemd/coalminder.service" "$here/systemd/coalminder@.service" "$root/etc/systemd/system/"
install -m 0644 "$here/systemd/70-coalminder.rules" "$root/etc/udev/rules.d/"
if [ -e "$root/etc/coalminder/coalminder.toml" ]; then
    echo "   kept your $root/etc/coalminder/coalminder.toml"
else
    install -m 0644 "$here/config/coalminder.toml" "$root/etc/coalminder/"
fi
install -d -m 0755 "$root/opt/coalminder/docs"
install -m 0644 "$here/docs/hardware.md" "$here/docs/wiring.md" "$root/opt/coalminder/docs/"

if [ "$files_only" = no ] && [ -d /run/systemd/system ]; then
    echo "5/5 telling systemd and udev"
    systemctl daemon-reload
    udevadm control --reload
    udevadm trigger --subsystem-match=gpio --subsystem-match=spidev --subsystem-match=i2c-dev --subsystem-match=pwm
fi

cat <<EOT

Next:
  1. Buses: take the lines you need from systemd/config.txt.coalminder into /boot/firmware/config.txt; restart.
  2. Wiring: sudo nano /etc/coalminder/coalminder.toml (sections [probes] and [vents]).
  3. Try it: sudo -u coalminder coalminder check      (the kettle cold, fingers off the vents)
  4. With a broker: write its password to /etc/coalminder/credentials/mqtt_password (mode 0600, owner root).
  5. Start it: sudo systemctl enable --now coalminder
Outdoors only: burning charcoal makes carbon monoxide.
EOT
