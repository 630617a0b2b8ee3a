#!/bin/sh
# Bring the gauge station's modem up and onto the network, from whatever state it is in.
#
# Wiring: GPIO 84 presses the power key, GPIO 85 disables the radios, both active high at the header. The
# modem shows /dev/ttyUSB3 and answers on its UART, /dev/ttyS1, as well.
# The antenna (or a 50 ohm load) must be connected before this runs: a registered modem transmits.
#
# The PIN comes from the environment: CARD_PIN (default 1234). It is entered once at the most, and only
# while at least two tries are known to be left. A PUK is never entered.
#
# Exit codes:
#    0  registered, time known
#   10  no port appears, although the key was pressed: modem dead, or no supply
#   11  there is a port, but no AT answer on it
#   12  the port vanished under way
#   13  the modem stopped answering under way
#   14  the modem answers on its UART but shows no port: USB trouble, and no press, which would stop it
#   20  radios disabled by their line, which somebody holds high: not for this script to change
#   21  radios off although the line is low, and +CFUN=1 did not help
#   30  no card
#   31  the card wants its PUK or another code, or has failed
#   32  too few PIN tries left, or their number is not known: PIN not entered
#   33  the PIN is wrong
#   34  the card is not ready in time, or the PIN entry had no clear result
#   40  not registered in time
#   41  registration denied
#   50  the modem's clock is not plausible
#   60  a GPIO line cannot be claimed, or is in use in a way that this script does not expect
#   61  another run is under way
#   70  the whole took too long
#  129  hang-up      130  interrupted
set -u

GPIO=/sys/class/gpio
KEY=84
RADIO=85
PORT=/dev/ttyUSB3
UART=/dev/ttyS1
LOCK=/run/lock/bring_up

PRESS_S=0.9        # starts from 0.7 s on, and is good up to 3.5 s
BOOT_STEPS=26      # of 0.5 s: a modem that boots shows its ports within 12.5 s
AT_TRIES=12
CARD_STEPS=60      # of 0.5 s
CARD_GONE_STEPS=20 # of 0.5 s: "no card" is believed when it has been said for so long
NETWORK_STEPS=60   # of 1 s
CLOCK_STEPS=15     # of 1 s: the network may give the time a little after the registration
WHOLE_S=240

LF='
'
CR=$(printf '\r')
scratch=$(mktemp -d) || exit 60
heard=$scratch/heard
reader=
watchdog=
has_lock=no
has_key=no
in_step=no

clean_up() {
	status=$?
	trap '' EXIT HUP INT TERM
	[ $has_key = yes ] && echo 0 >$GPIO/gpio$KEY/value
	close_port
	[ -n "$watchdog" ] && kill "$watchdog" 2>/dev/null && wait "$watchdog" 2>/dev/null
	[ $has_lock = yes ] && rm -f $LOCK
	rm -rf "$scratch"
	exit $status
}

# Each line with the seconds since the host booted: a clock that nobody sets.
say() {
	read -r uptime _ </proc/uptime
	echo "bring_up $uptime: $*"
}

fail() {
	code=$1
	shift
	say "$*" >&2
	exit "$code"
}

# --- one run at a time -------------------------------------------------------

# A lock whose owner is gone is taken over. The link makes it appear with its content in one step.
take_lock() {
	echo $$ >$LOCK.$$ || fail 61 "no lock can be made at $LOCK"
	for attempt in first second; do
		if ln $LOCK.$$ $LOCK 2>/dev/null; then
			has_lock=yes
			break
		fi
		owner=$(cat $LOCK 2>/dev/null)
		if [ $attempt = second ] || grep -q bring_up "/proc/$owner/cmdline" 2>/dev/null; then
			rm -f $LOCK.$$
			fail 61 "another run is under way: process $owner"
		fi
		rm -f $LOCK
	done
	rm -f $LOCK.$$
}

# --- lines -------------------------------------------------------------------

# level LINE FILE: what one of the line's files holds.
level() {
	read -r value <$GPIO/gpio"$1"/"$2" && echo "$value"
}

claim() {
	if [ ! -d $GPIO/gpio"$1" ]; then
		{ echo "$1" >$GPIO/export; } 2>/dev/null || fail 60 "GPIO $1 cannot be claimed"
	fi
	[ -r $GPIO/gpio"$1"/value ] || fail 60 "GPIO $1 is not there after its export"
	[ "$(level "$1" active_low)" = 0 ] || fail 60 "GPIO $1 is inverted by somebody else"
}

drive_key() { echo "$1" >$GPIO/gpio$KEY/value || fail 60 "GPIO $KEY cannot be driven"; }

# --- ports -------------------------------------------------------------------

close_port() {
	exec 3>&-
	[ -n "$reader" ] && kill "$reader" 2>/dev/null && wait "$reader" 2>/dev/null
	reader=
}

# open_port NODE: raw, no echo, held open until closed; a reader of its own keeps every byte in $heard.
open_port() {
	close_port
	port=$1
	stty -F "$port" 115200 raw -echo -echoe -echok clocal cread -hupcl 2>/dev/null || return 1
	: >"$heard"
	{ command exec 3<>"$port"; } 2>/dev/null || return 1
	dd bs=4096 count=20000 <&3 >>"$heard" 2>/dev/null &
	reader=$!
}

# The whole lines heard, into $lines, and the first final result among them into $result; one that has not
# ended yet does not count. The shell does it by itself: no process is started while the modem thinks.
look() {
	result=
	lines=
	while IFS= read -r line; do
		while [ "$line" != "${line#"$CR"}" ]; do line=${line#"$CR"}; done
		while [ "$line" != "${line%"$CR"}" ]; do line=${line%"$CR"}; done
		[ -n "$line" ] || continue
		lines=$lines$line$LF
		case $line in
		OK | ERROR | '+CME ERROR: '* | '+CMS ERROR: '*) result=${result:-$line} ;;
		esac
	done <"$heard"
}

# converse TENTHS COMMAND: send it and wait up to TENTHS of 0.1 s for its final result.
# 0: it is in $result, with the lines up to now in $lines. 1: none came. 2: the port is gone, or stuck.
converse() {
	[ -c "$port" ] || return 2
	: >"$heard" # the reader appends: what comes from now on is alone in there
	{ printf '%s\r' "$2" | timeout 5 cat >&3; } 2>/dev/null || return 2
	left=$1
	while :; do
		look
		[ -n "$result" ] && return 0
		[ -c "$port" ] || return 2
		[ "$left" -gt 0 ] || return 1
		sleep 0.1
		left=$((left - 1))
	done
}

# Wait until nothing has come for 1 s, so that a late answer is not taken for the next one; 4 s at the most.
settle() {
	left=4
	before=none
	while now=$(wc -c <"$heard") && [ "$now" != "$before" ] && [ $left -gt 0 ]; do
		before=$now
		sleep 1
		left=$((left - 1))
	done
}

# get_in_step TRIES: 0 after two clean answers in a row, 1 without, 2 where the port is gone. Clean is an OK
# with nothing but the echo before it: anything else may belong to an earlier command.
get_in_step() {
	tries=$1
	clean=0
	while [ "$tries" -gt 0 ]; do
		converse 10 AT
		outcome=$?
		case $outcome$lines in
		"0OK$LF" | "0AT${LF}OK$LF")
			clean=$((clean + 1))
			if [ $clean -ge 2 ]; then
				in_step=yes
				return 0
			fi
			;;
		2*) return 2 ;;
		*)
			clean=0
			settle
			;;
		esac
		tries=$((tries - 1))
	done
	return 1
}

# ask TENTHS COMMAND: as converse, but 1 is all that can go wrong without an end.
ask() {
	if [ $in_step = no ]; then
		settle
		get_in_step 5
		case $? in
		1) fail 13 "the modem answers no more" ;;
		2) fail 12 "the port vanished, or takes nothing" ;;
		esac
	fi
	converse "$@"
	case $? in
	0) return 0 ;;
	1) in_step=no ;;
	*) fail 12 "the port vanished, or takes nothing" ;;
	esac
	return 1
}

# For questions, which may be repeated.
demand() { ask "$@" || ask "$@" || fail 13 "no answer to $2"; }

# reading NAME: the last line of the answer that begins with +NAME:, without that, into $value.
reading() {
	value=
	while IFS= read -r line; do
		case $line in
		"+$1: "*) value=${line#"+$1: "} ;;
		esac
	done <<-END
		$lines
	END
}

# Whether $1 is digits alone, and at least one.
is_number() {
	case $1 in
	'' | *[!0-9]*) return 1 ;;
	esac
}

# --- steps -------------------------------------------------------------------

wait_for_port() {
	steps=$BOOT_STEPS
	while [ $steps -gt 0 ]; do
		[ -c $PORT ] && return 0
		sleep 0.5
		steps=$((steps - 1))
	done
	return 1
}

uart_answers() {
	[ -c $UART ] && open_port $UART || return 1
	printf '\r' >&3
	get_in_step 3
	found=$?
	in_step=no
	close_port
	return $found
}

press_key() {
	say "no port for longer than a boot takes, no answer on the UART: pressing the key"
	drive_key 1
	sleep $PRESS_S
	drive_key 0
}

# A press on a running modem switches it off. So: only on proof that it is off, and only once.
reach_modem() {
	pressed=no
	for round in 1 2 3; do
		if wait_for_port; then
			if open_port $PORT && printf '\r' >&3 && get_in_step $AT_TRIES; then
				return 0
			fi
			[ -c $PORT ] && fail 11 "a port, but no AT answer on it"
			say "the port went away again"
		else
			[ $pressed = yes ] && fail 10 "no port after the press: modem dead, or no supply"
			uart_answers && fail 14 "the modem answers on its UART, but shows no port: USB trouble"
			press_key
			pressed=yes
		fi
	done
	fail 12 "the port keeps vanishing"
}

turn_radio_on() {
	demand 50 'AT+CFUN?'
	reading CFUN
	[ "$value" = 1 ] && return 0
	[ "$(level $RADIO value)" = 1 ] && fail 20 "radios disabled: the line at GPIO $RADIO is high"
	ask 300 AT+CFUN=1
	demand 50 'AT+CFUN?'
	reading CFUN
	[ "$value" = 1 ] || fail 21 "radios stay off although their line is low: +CFUN is $value"
}

enter_pin() {
	pin=${CARD_PIN:-1234}
	case $pin in
	*[!0-9]* | ??? | ?? | ?) fail 33 "CARD_PIN is not a PIN: 4 to 8 digits are" ;;
	esac
	demand 200 AT+CPINR
	tries=
	while IFS= read -r line; do
		case $line in
		'+CPINR: SIM PIN,'*)
			value=${line#*,}
			is_number "${value%%,*}" && tries=${value%%,*}
			;;
		esac
	done <<-END
		$lines
	END
	[ "${tries:-0}" -ge 2 ] || fail 32 "${tries:-an unknown number of} PIN tries left: not entered"
	ask 200 "AT+CPIN=\"$pin\""
	case $result in
	OK) ;;
	'+CME ERROR: 16') fail 33 "the PIN is wrong; $((tries - 1)) tries left" ;;
	*) fail 34 "the PIN entry ended with '${result:-no result}'; not entered again" ;;
	esac
}

prepare_card() {
	entered=no
	gone=0
	steps=$CARD_STEPS
	while [ $steps -gt 0 ]; do
		demand 200 'AT+CPIN?'
		case $result in
		OK)
			reading CPIN
			case $value in
			READY) return 0 ;;
			'SIM PIN')
				[ $entered = no ] && enter_pin
				entered=yes
				;;
			*) fail 31 "the card wants $value: a person has to look at it" ;;
			esac
			;;
		'+CME ERROR: 10' | '+CME ERROR: 13')
			gone=$((gone + 1))
			if [ $gone -ge $CARD_GONE_STEPS ]; then
				[ "$result" = '+CME ERROR: 10' ] && fail 30 "no card"
				fail 31 "the card has failed"
			fi
			;;
		*) gone=0 ;; # busy, most likely
		esac
		steps=$((steps - 1))
		sleep 0.5
	done
	reading CPIN
	fail 34 "the card is not ready in time: $result $value"
}

register() {
	steps=$NETWORK_STEPS
	while [ $steps -gt 0 ]; do
		demand 50 'AT+CEREG?'
		# An unsolicited line has one field less before the area.
		stat=
		while IFS= read -r line; do
			case $line in
			'+CEREG: '[0-9],*)
				value=${line#*,}
				is_number "${value%%,*}" && stat=${value%%,*}
				;;
			esac
		done <<-END
			$lines
		END
		case $stat in
		1 | 5) return 0 ;;
		3)
			ask 50 AT+CEER
			reading CEER
			fail 41 "registration denied: $value"
			;;
		esac
		steps=$((steps - 1))
		sleep 1
	done
	fail 40 "not registered in time: +CEREG stat is ${stat:-unknown}"
}

read_clock() {
	steps=$CLOCK_STEPS
	while [ $steps -gt 0 ]; do
		demand 50 'AT+CCLK?'
		reading CCLK
		clock=$value
		year=
		case $clock in
		'"'[0-9][0-9]/[0-9][0-9]/[0-9][0-9],*)
			year=${clock#'"'}
			year=${year%%/*}
			;;
		esac
		year=${year#0}
		[ "${year:-0}" -ge 26 ] && [ "$year" -le 45 ] && return 0
		steps=$((steps - 1))
		sleep 1
	done
	fail 50 "the modem's clock says ${clock:-nothing}"
}

# --- the whole ---------------------------------------------------------------

trap clean_up EXIT
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 70' TERM
trap '' PIPE # whoever reads the messages may go away; the work goes on

take_lock
(
	trap 'kill "$nap"' TERM
	sleep $WHOLE_S &
	nap=$!
	wait "$nap" && kill -TERM $$
) >/dev/null 2>&1 &
watchdog=$!

# The key's idle level comes in one step with the direction: no glitch. The radio line is only looked at.
claim $RADIO
claim $KEY
[ "$(level $KEY direction)" = out ] || { echo low >$GPIO/gpio$KEY/direction; } 2>/dev/null ||
	fail 60 "GPIO $KEY cannot be driven"
has_key=yes
[ "$(level $KEY value)" = 0 ] || drive_key 0

reach_modem
ask 50 ATE0
ask 50 AT+CMEE=1
demand 50 AT+CGMR
revision=
while IFS= read -r line; do
	case $line in
	OK | AT*) ;;
	*) revision=${revision:-$line} ;;
	esac
done <<END
$lines
END
say "AT answers: revision $revision"
turn_radio_on
prepare_card
say "card ready"
register
say "registered, stat $stat"
read_clock
say "clock $clock"
