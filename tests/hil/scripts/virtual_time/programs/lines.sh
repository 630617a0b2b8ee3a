# The real tools of libgpiod, of either generation: a press of exact width, an edge waited for, busy lines, races.
# HELD_US is how long a line is held while another program asks for it.
# Lines 84 (the key), 85 (radio disable) and 86 (the module's status) of gpiochip0.
chip=gpiochip0
case $(gpioset --version | head -n 1) in
*v1.*)
	# This generation lets go of the line as it is; whether it keeps its level is the host's affair.
	pulse() { gpioset --mode=time --usec="$2" $chip "$1=1" && gpioset $chip "$1=0"; }
	wait_for_rise() { gpiomon --num-events=1 --rising-edge --format='%e %o %s.%n' $chip "$1"; }
	value() { gpioget $chip "$1"; }
	;;
*)
	pulse() { gpioset --chip $chip --toggle "$(($2 / 1000))ms,0" "$1=1"; }
	wait_for_rise() { gpiomon --chip $chip --num-events=1 --edges=rising --format='%e %o %S' "$1"; }
	value() { gpioget --numeric --chip $chip "$1"; }
	;;
esac

# A busy machine takes its time to start a program: wait until the one that was started last holds a line.
until_held() { while kill -0 $! && ! gpioinfo | grep -q "$1"; do sleep 0.01; done; }

uptime() { read -r up _ </proc/uptime && echo "$up"; }

gpiodetect
gpioinfo | grep -c line
wait_for_rise 86 &
monitor=$!
sleep 0.1
until_held gpiomon
pulse 84 500000
echo "pressed until $(uptime)"
wait $monitor
echo "status $(value 86) at $(uptime)"

# Eight at once for one line: one gets it, and which one is always the same.
for number in 1 2 3 4 5 6 7 8; do
	pulse 85 250000 2>/dev/null && echo "number $number had it" &
done
wait
echo "and then: $(pulse 85 1000 2>&1 && uptime)"

# The two ways meet: what one holds is busy for the other.
echo 85 >/sys/class/gpio/export
pulse 85 1000 2>&1 | grep -o 'busy'
echo 85 >/sys/class/gpio/unexport
pulse 85 ${HELD_US:-300000} &
sleep 0.1
until_held gpioset
echo 85 2>/dev/null >/sys/class/gpio/export || echo "export refused at $(uptime)"
wait
echo 85 >/sys/class/gpio/export && echo "export taken at $(uptime)"
