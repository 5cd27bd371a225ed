# rundown drive 1: does a segment's handwork on the phone itself, for Android's mksh and toybox.
#
#   sh drive.sh start              begins in the background what the file `score` says; then status
#   sh drive.sh lease TENTHS       may go on for so long without hearing from the computer
#   sh drive.sh stop               ends it, with what `finale` says; then status
#   sh drive.sh status             one line: drive 1 STATE WHY COMMANDS CPU
#   sh drive.sh remove             ends it and deletes everything here
#
# A line of `score` is AFTER EVERY COMMAND, times in tenths of a second, EVERY 0 for once; a line of
# `finale` is a command. `start` takes TENTHS (how long) and STOP_DC (battery temperature at which
# it ends, in tenths of a degree). STATE is running or idle; WHY is done, stopped, alone (no word
# from the computer), hot; CPU is in clock ticks, of this shell and everything it started.

export LC_ALL=C
ROOT=${RUNDOWN_ROOT:-} # another root for tests
HERE=${0%/*}
[[ $0 == */rundown-drive/drive.sh ]] || exit 2
NEVER=2147483647

now() {
	read -r UP _ <"$ROOT/proc/uptime"
	TENTH=${UP#*.}
	NOW=$((${UP%.*} * 10 + ${TENTH%?}))
}

running() {
	read -r PID <"$HERE/running" && kill -0 "$PID"
}

tell_status() {
	STATE=idle WHY=- N=0 CPU=-
	running && STATE=running
	[[ -r $HERE/log ]] && read -r WHY N CPU <"$HERE/log"
	print -r -- "drive 1 $STATE $WHY $N $CPU"
}

begin() {
	running && return
	rm -f "$HERE/stop" "$HERE/log"
	$(command -v setsid || command -v nohup) sh "$0" run </dev/null >/dev/null 2>&1 &
	TRIES=20
	until running || [[ -e $HERE/log ]] || ((--TRIES == 0)); do sleep 0.1; done
}

end() {
	: >"$HERE/stop"
	TRIES=50
	while running && ((--TRIES)); do sleep 0.1; done
}

# CPU time of this shell and of everything it started, in clock ticks.
cpu_time() {
	CPU=-
	{ read -r STAT <"$ROOT/proc/self/stat"; } 2>/dev/null || return
	set -- ${STAT##*) }
	CPU=$((${12} + ${13} + ${14} + ${15}))
}

too_hot() {
	WARM=$(dumpsys battery | grep -m 1 ' temperature:')
	WARM=${WARM##*: }
	[[ $WARM == +([0-9]) ]] && ((WARM >= STOP_DC))
}

# Why it must end now, if it must.
must_end() {
	WHY=
	[[ -e $HERE/stop ]] && WHY=stopped
	LEASE=0
	read -r LEASE <"$HERE/lease"
	((NOW > LEASE)) && WHY=alone
	((NOW - BEGAN >= TENTHS)) && WHY=done
	if [[ -z $WHY ]] && ((NOW >= LOOK_AT)); then
		LOOK_AT=$((NOW + 100))
		too_hot && WHY=hot
	fi
	[[ -n $WHY ]]
}

# Everything that is due, in the order of the score; sets NEXT to the next moment something is.
do_what_is_due() {
	NEXT=$((NOW + 10))
	I=0
	while ((I < LINES_READ)); do
		if ((NOW >= DUE[I])); then
			eval "${WORK[I]}" </dev/null
			N=$((N + 1))
			if ((EVERY[I] > 0)); then
				DUE[I]=$((DUE[I] + EVERY[I]))
				((DUE[I] > NOW)) || DUE[I]=$((NOW + EVERY[I]))
			else
				DUE[I]=$NEVER
			fi
		fi
		((DUE[I] < NEXT)) && NEXT=${DUE[I]}
		I=$((I + 1))
	done
}

run() {
	print $$ >"$HERE/running"
	now
	BEGAN=$NOW LOOK_AT=$NOW LINES_READ=0 N=0
	while read -r AFTER REPEATED COMMAND; do
		DUE[LINES_READ]=$((BEGAN + AFTER))
		EVERY[LINES_READ]=$REPEATED
		WORK[LINES_READ]=$COMMAND
		LINES_READ=$((LINES_READ + 1))
	done <"$HERE/score"
	until must_end; do
		do_what_is_due
		now
		WAIT=$((NEXT - NOW))
		((WAIT > 0)) && sleep $((WAIT / 10)).$((WAIT % 10))
		now
	done
	while read -r COMMAND; do
		eval "$COMMAND" </dev/null
		N=$((N + 1))
	done <"$HERE/finale"
	cpu_time
	print -r -- "$WHY $N $CPU" >"$HERE/log"
	rm -f "$HERE/running"
}

case $1 in
run) run ;;
start) begin ;;
lease)
	now
	print $((NOW + $2)) >"$HERE/lease"
	;;
stop) end ;;
remove)
	end
	rm -rf "$HERE"
	;;
esac 2>/dev/null
[[ $1 == run || ! -d $HERE ]] || tell_status 2>/dev/null
