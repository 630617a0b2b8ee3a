# Start the modem by its key, ask until it answers; background jobs, a pipe, a time limit.
cd /sys/class/gpio
echo 84 >export
echo out >gpio84/direction
echo 1 >gpio84/value
sleep 0.9
echo 0 >gpio84/value
until [ -c /dev/ttyUSB3 ]; do sleep 0.5; done
stty -F /dev/ttyUSB3 raw -echo
exec 3<>/dev/ttyUSB3
until printf 'ATE0\r' >&3 && IFS= read -r -t 2 line <&3 && IFS= read -r -t 2 line <&3; do sleep 1; done
echo "heard ${line%$'\r'} at $SECONDS"
(sleep 2; echo later) &
(sleep 4) &
wait
for i in 1 2 3; do echo $i; sleep 0.25; done | while read -r x; do echo "piped $x"; done
timeout 5 sleep 60
echo "status $? after $SECONDS"
