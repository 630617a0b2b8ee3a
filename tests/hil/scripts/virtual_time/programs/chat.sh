# chat: a dialogue that fails, one with pauses, one that goes well.
stty -F /dev/ttyUSB3 raw -echo
chat -s TIMEOUT 3 '' 'ATE0' 'NEVER' '' </dev/ttyUSB3 >/dev/ttyUSB3 2>/dev/null
echo "status $?"
chat -s TIMEOUT 10 '' 'AT\d\d' OK 'AT\p' OK '' </dev/ttyUSB3 >/dev/ttyUSB3 2>/dev/null
echo "status $?"
chat -s ABORT ERROR TIMEOUT 5 '' 'AT+CGMR' 'TL4-1.4.2' '' OK 'AT+NOSUCH' OK </dev/ttyUSB3 >/dev/ttyUSB3 2>/dev/null
echo "status $?"
