# Six hundred processes that sleep for a second.
i=0
while [ $i -lt 600 ]; do
	sleep 1
	i=$((i + 1))
done
