# Fifteen hundred short processes.
i=0
while [ $i -lt 1500 ]; do
	/bin/true
	i=$((i + 1))
done
