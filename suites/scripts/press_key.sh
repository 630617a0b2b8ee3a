#!/bin/sh
# Switch the modem on by libgpiod's tools, of either generation, and wait for its port by what it is, not by
# its number.  Usage: press_key.sh [CHIP [LINE [SECONDS]]]
#
# Only for a modem that is known to be off: a press on a running one switches it off.
# The antenna (or a 50 ohm load) must be connected before this runs: a modem that starts may transmit.
#
# Exit codes: 0 the port is there, 1 the line cannot be had, 2 no port in time, 3 a port is there already
set -u
chip=${1:-gpiochip0}
line=${2:-84}
seconds=${3:-0.9}
port=/dev/serial/by-id/usb-Tarnworks_TARN-L4_*-if03-port0

found() { set -- $port && [ -e "$1" ] && echo "$1"; }

press() {
	usec=$(awk "BEGIN { printf \"%d\", 1000000 * $seconds }")
	case $(gpioset --version) in
	*v1.*)
		# When this tool ends, the host may keep the level: it has to be set back.
		gpioset --mode=time --usec="$usec" "$chip" "$line=1" && gpioset "$chip" "$line=0"
		;;
	*) gpioset --chip "$chip" --toggle "${usec}us,0" "$line=1" ;;
	esac
}

found && exit 3
press || exit 1
left=30
while [ $left -gt 0 ]; do
	found && exit 0
	sleep 0.5
	left=$((left - 1))
done
dmesg | tail -n 3 >&2
exit 2
