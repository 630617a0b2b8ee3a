#!/bin/sh
# Bring the gauge station's modem up and onto the network, from whatever state it is in.
#
# Wiring: GPIO 84 presses the power key, GPIO 85 disables the radios, both active high at the header.
# The antenna (or a 50 ohm load) must be connected before this runs: a registered modem transmits.
#
# The PIN comes from the environment: CARD_PIN (default 1234). It is entered once at the most, and only
# while at least two tries are left. A PUK is never entered.
#
# Exit codes:
#    0  registered, time known
#   10  no port appears, although the key was pressed: modem dead, or no supply
#   11  there is a port, but no AT answer on it
#   12  the port vanished under way
#   20  radios disabled by their line, which somebody holds high: not for this script to change
#   21  radios off although the line is low, and +CFUN=1 did not help
#   30  no card        31  the card wants its PUK or has failed
#   32  too few PIN tries left      33  the PIN is wrong
#   40  not registered in time      41  registration denied
#   50  the modem's clock is not plausible
#   60  a GPIO line cannot be claimed
#   70  the whole took too long
set -u

GPIO=/sys/class/gpio
KEY=84
RADIO=85
PORT=/dev/ttyUSB3

PRESS_S=0.9        # starts from 0.7 s on, and is good up to 3.5 s
BOOT_STEPS=65      # of 0.2 s: a modem that boots shows its ports within 12.5 s
AT_TRIES=12
CARD_STEPS=60      # of 0.5 s
NETWORK_STEPS=60   # of 1 s
WHOLE_S=240

scratch=$(mktemp -d) || exit 60
heard=$scratch/heard
reader=
watchdog=

clean_up() {
	status=$?
	trap - EXIT INT TERM
	[ -w $GPIO/gpio$KEY/value ] && echo 0 >$GPIO/gpio$KEY/value
	[ -n "$reader" ] && kill "$reader" 2>/dev/null
	[ -n "$watchdog" ] && kill "$watchdog" 2>/dev/null
	rm -rf "$scratch"
	exit $status
}
trap clean_up EXIT
trap 'exit 70' TERM
trap 'exit 130' INT

say() { echo "bring_up: $*"; }

fail() {
	code=$1
	shift
	echo "bring_up: $*" >&2
	exit "$code"
}

claim() {
	[ -d $GPIO/gpio"$1" ] && return 0
	echo "$1" >$GPIO/export 2>/dev/null || fail 60 "GPIO $1 cannot be claimed"
	[ -r $GPIO/gpio"$1"/value ] || fail 60 "GPIO $1 is not there after its export"
}

port_is_there() { [ -c "$PORT" ]; }

open_port() {
	close_port
	stty -F "$PORT" 115200 raw -echo -echoe -echok clocal cread 2>/dev/null || return 1
	: >"$heard"
	command exec 3<>"$PORT" || return 1
	cat <&3 >>"$heard" 2>/dev/null &
	reader=$!
}

close_port() {
	[ -n "$reader" ] && kill "$reader" 2>/dev/null
	reader=
	exec 3>&- 2>/dev/null
}

# ask COMMAND TENTHS: send it, wait up to TENTHS of 0.1 s for a final result. The lines of the answer are
# in $answer, the result in $result (empty where none came). Lines are whole lines, never parts of them.
ask() {
	port_is_there || fail 12 "the port vanished"
	before=$(wc -c <"$heard")
	printf '%s\r' "$1" >&3 || fail 12 "the port vanished"
	result=
	left=$2
	while [ "$left" -gt 0 ]; do
		answer=$(tail -c +$((before + 1)) "$heard" | tr '\r' '\n' | grep -v '^$')
		result=$(printf '%s\n' "$answer" | grep -x -m 1 -e OK -e ERROR -e '+CM[ES] ERROR: .*')
		[ -n "$result" ] && return 0
		sleep 0.1
		left=$((left - 1))
	done
	return 1
}

# field NAME NUMBER: that comma-separated field of the answer's last line that begins with NAME.
field() {
	printf '%s\n' "$answer" | sed -n "s/^+$1: //p" | tail -n 1 | cut -d , -f "$2"
}

answers() {
	open_port || return 1
	printf '\r' >&3
	clean=0
	tries=$AT_TRIES
	while [ "$tries" -gt 0 ]; do
		if ask AT 10 && [ "$result" = OK ]; then
			clean=$((clean + 1))
			[ "$clean" -ge 2 ] && return 0
		else
			clean=0
		fi
		tries=$((tries - 1))
	done
	return 1
}

wait_for_port() {
	steps=$BOOT_STEPS
	while [ "$steps" -gt 0 ]; do
		port_is_there && return 0
		sleep 0.2
		steps=$((steps - 1))
	done
	return 1
}

(sleep $WHOLE_S && kill -TERM $$) >/dev/null 2>&1 &
watchdog=$!

# The key's idle level comes in one step with the direction: no glitch. The radio line is only looked at.
claim $KEY
claim $RADIO
[ "$(cat $GPIO/gpio$KEY/direction)" = out ] || echo low >$GPIO/gpio$KEY/direction ||
	fail 60 "GPIO $KEY cannot be driven"
[ "$(cat $GPIO/gpio$KEY/value)" = 0 ] || echo 0 >$GPIO/gpio$KEY/value

# A press on a running modem switches it off. So: only when no port has been seen for as long as a boot takes.
if wait_for_port; then
	say "a port is there: no press"
else
	say "no port for longer than a boot takes: pressing the key"
	echo 1 >$GPIO/gpio$KEY/value || fail 60 "GPIO $KEY cannot be driven"
	sleep $PRESS_S
	echo 0 >$GPIO/gpio$KEY/value || fail 60 "GPIO $KEY cannot be driven"
	wait_for_port || fail 10 "no port after the press: modem dead, or no supply"
fi

answers || fail 11 "a port, but no AT answer"
say "AT answers"
ask ATE0 50
ask AT+CMEE=1 50

ask 'AT+CFUN?' 50
if [ "$(field CFUN 1)" != 1 ]; then
	[ "$(cat $GPIO/gpio$RADIO/value)" = 1 ] && fail 20 "radios disabled: the line at GPIO $RADIO is high"
	ask AT+CFUN=1 1800
	ask 'AT+CFUN?' 50
	[ "$(field CFUN 1)" = 1 ] || fail 21 "radios stay off: +CFUN is $(field CFUN 1)"
fi

entered=0
steps=$CARD_STEPS
while :; do
	ask 'AT+CPIN?' 200
	case "$answer" in
	*'+CPIN: READY'*) break ;;
	*'+CPIN: SIM PUK'*) fail 31 "the card wants its PUK: a person has to look at it" ;;
	*'+CME ERROR: 10'*) fail 30 "no card" ;;
	*'+CME ERROR: 13'*) fail 31 "the card has failed" ;;
	*'+CPIN: SIM PIN'*)
		if [ $entered = 0 ]; then
			ask AT+CPINR 200
			tries=$(printf '%s\n' "$answer" | sed -n 's/^+CPINR: SIM PIN,\([0-9]*\).*/\1/p')
			[ "${tries:-0}" -ge 2 ] || fail 32 "${tries:-unknown} PIN tries left: not trying"
			entered=1
			ask "AT+CPIN=\"${CARD_PIN:-1234}\"" 200
			[ "$result" = OK ] || fail 33 "the PIN was refused"
		fi
		;;
	esac
	[ $steps -gt 0 ] || fail 31 "the card is not ready in time"
	steps=$((steps - 1))
	sleep 0.5
done
say "card ready"

steps=$NETWORK_STEPS
while :; do
	ask 'AT+CEREG?' 50
	stat=$(field CEREG 2)
	case "$stat" in
	1 | 5) break ;;
	3) fail 41 "registration denied" ;;
	esac
	[ $steps -gt 0 ] || fail 40 "not registered in time: +CEREG stat ${stat:-unknown}"
	steps=$((steps - 1))
	sleep 1
done
say "registered, stat $stat"

ask 'AT+CCLK?' 50
year=$(printf '%s\n' "$answer" | sed -n 's/^+CCLK: "\([0-9][0-9]\).*/\1/p')
{ [ "${year:-0}" -ge 26 ] && [ "$year" -le 45 ]; } || fail 50 "the clock says year ${year:-unknown}"
say "clock $(printf '%s\n' "$answer" | sed -n 's/^+CCLK: //p')"
