# rundown recorder 2: writes one framed block per tick to a file, for Android's mksh and toybox.
#
#   sh recorder.sh status          one line: recorder 2 STATE RUN MODE BOOT_ID UPTIME SIZE
#   sh recorder.sh start           begins in the background, unless it runs already; then status
#   sh recorder.sh stop            ends it; what was recorded stays; then status
#   sh recorder.sh remove          ends it and deletes the run's blocks, and itself if none are left
#
# STATE is running or idle, SIZE that of the run's blocks in bytes. RUN names the run, in the
# environment; start also takes FAST SUPPLY TICK_MS SLOW_S CONTEXT_S CAP_KB, MODE (polled or
# armed), and FIRST_SEQ for the boot session FIRST_BOOT. The framing is described in
# parsers/blocks.py. One recorder per phone: it holds a lock that the kernel drops with it, and
# says in the file `running` what it records. It lives on when the host hangs up, until the stop
# file appears, its blocks exceed CAP_KB, or their folder is gone.

export LC_ALL=C
set +U 2>/dev/null # lengths in bytes, not characters
VERSION=2
NL='
'
ROOT=${RUNDOWN_ROOT:-} # another root for tests
HERE=${0%/*}
[[ $0 == */rundown/recorder.sh ]] || exit 2 # the folder is removed in the end: it must be ours
BLOCKS=$HERE/$RUN.blocks

read -r BOOT_ID <"$ROOT/proc/sys/kernel/random/boot_id"
BOOT_ID=${BOOT_ID%%-*}

# Succeeds while no recorder lives: the lock can be had, and is given back at once.
idle() {
	flock -n 9 9>>"$HERE/lock"
}

# Waits up to $2 tenths of a second until `idle` says $1 (0 yes, 1 no).
until_idle() {
	TRIES=$2
	while ((TRIES > 0)); do
		idle
		[[ $? == "$1" ]] && return
		sleep 0.1
		TRIES=$((TRIES - 1))
	done
}

tell_status() {
	STATE=running
	idle && STATE=idle
	command -v flock >/dev/null || STATE=no-flock
	NOW_RUN=- NOW_MODE=-
	[[ -r $HERE/running ]] && read -r NOW_RUN NOW_MODE _ <"$HERE/running"
	read -r UP _ <"$ROOT/proc/uptime"
	SIZE=0
	[[ -r $BLOCKS ]] && SIZE=$(wc -c <"$BLOCKS")
	print -r -- "recorder $VERSION $STATE $NOW_RUN $NOW_MODE $BOOT_ID $UP $((SIZE))"
}

begin() {
	idle || return
	rm -f "$HERE/stop"
	$(command -v setsid || command -v nohup) sh "$0" run </dev/null >/dev/null 2>&1 &
	until_idle 1 50
}

# Another run's recorder is not ours to end.
end() {
	idle && return
	read -r NOW_RUN _ PID <"$HERE/running"
	[[ $NOW_RUN == "$RUN" ]] || return
	: >"$HERE/stop"
	kill -TERM "$PID" # it looks for the file at every tick; one that waits long is woken
	until_idle 0 100
}

clear_away() {
	end
	rm -f "$BLOCKS"
	set -- "$HERE"/*.blocks
	[[ -e $1 ]] || ! idle || rm -rf "$HERE"
}

# Boot time as UP (text, s) and NOW (hundredths of a second, the last eight digits: 32-bit arithmetic).
look_at_clock() {
	read -r UP _ <"$ROOT/proc/uptime"
	NOW=0000000${UP%.*}${UP#*.}
	NOW=1${NOW: -8}
}

# Hundredths of a second from $1 to NOW, across the wrap of the eight digits.
since() {
	SINCE=$((NOW - $1))
	((SINCE >= 0)) || SINCE=$((SINCE + 100000000))
}

part() {
	OUT="$OUT@part $1 ${#2}$NL$2$NL"
}

# The allow-listed lines of the supply's uevent file, read without starting a process.
fast_uevent() {
	IFS= read -r -N 16384 TEXT <"$ROOT/sys/class/power_supply/$SUPPLY/uevent"
	BODY=
	while [[ -n $TEXT ]]; do
		LINE=${TEXT%%"$NL"*}
		TEXT=${TEXT#"$LINE"}
		TEXT=${TEXT#"$NL"}
		case $LINE in
		POWER_SUPPLY_NAME=* | POWER_SUPPLY_TYPE=* | POWER_SUPPLY_STATUS=* | \
			POWER_SUPPLY_HEALTH=* | POWER_SUPPLY_PRESENT=* | POWER_SUPPLY_CAPACITY=* | \
			POWER_SUPPLY_VOLTAGE_NOW=* | POWER_SUPPLY_CURRENT_NOW=* | \
			POWER_SUPPLY_TEMP=* | POWER_SUPPLY_CHARGE_COUNTER=*)
			BODY="$BODY$LINE$NL"
			;;
		esac
		case $LINE in
		POWER_SUPPLY_CAPACITY="$LEVEL") ;;
		POWER_SUPPLY_CAPACITY=*)
			[[ -n $LEVEL ]] && SLOW_AT=
			LEVEL=${LINE#*=}
			;;
		esac
	done
	part uevent "$BODY"
}

# One process per tick for the live current, at every fifth tick another for the charge counter.
fast_property() {
	part property_2 "$(service call batteryproperties 1 i32 2 2>&1)"
	((SEQ % 5 == 4)) && part property_1 "$(service call batteryproperties 1 i32 1 2>&1)"
}

fast_none() {
	:
}

slow() {
	part battery "$(dumpsys battery 2>&1)"
	part power "$(dumpsys power 2>&1 |
		grep -E -m 8 '^ *(mWakefulness=|mWakefulnessRaw=|mLastUserActivityTime=|Display Power: state=)')"
}

context() {
	part foreground "$(dumpsys activity activities 2>&1 | grep -E '[rR]esumed(Activity)?[=:]')"
	part thermal "$(dumpsys thermalservice 2>&1)"
	part telephony "$(dumpsys telephony.registry 2>&1 |
		grep -E '^ *(Phone Id|mCallState|mDataConnectionState|mTelephonyDisplayInfo)=')"
	part settings "screen_brightness=$(settings get system screen_brightness 2>&1)
screen_brightness_mode=$(settings get system screen_brightness_mode 2>&1)
low_power=$(settings get global low_power 2>&1)"
	# A phone that shuts off hard has the readings up to here.
	fsync "$BLOCKS" 2>/dev/null
}

# CPU time of this shell and of everything it started, in clock ticks.
cpu_time() {
	CPU=-
	{ read -r STAT <"$ROOT/proc/self/stat"; } 2>/dev/null || return
	set -- ${STAT##*) }
	CPU=$((${12} + ${13} + ${14} + ${15}))
}

# Where the last recorder of this boot stopped counting; the number of a torn block is spent.
next_seq() {
	SEQ=0
	[[ $FIRST_BOOT == "$BOOT_ID" ]] && SEQ=$FIRST_SEQ
	set -- $(grep -a -E "^@begin [0-9]+ $BOOT_ID " "$BLOCKS" | tail -n 1)
	[[ -n $2 ]] && (($2 >= SEQ)) && SEQ=$(($2 + 1))
}

# Waits $1 hundredths of a second: no process is started, the co-process never writes.
pause() {
	BEFORE=$NOW
	FRACTION=0$(($1 % 100))
	read -r -u3 -t $(($1 / 100)).${FRACTION: -2} _
	look_at_clock
	since $BEFORE
	# Back at once: the co-process is gone, a busy loop would follow.
	((SINCE * 4 >= $1 * 3)) || [[ -e $HERE/stop ]] || sleep $(($1 / 100)).${FRACTION: -2}
}

run() {
	exec 9>>"$HERE/lock"
	TRIES=20 # somebody who only looks may hold the lock for a moment
	until flock -n 9 9>&9; do
		((--TRIES)) || exit 0
		sleep 0.05
	done
	trap '' HUP PIPE
	trap ':' TERM
	# Out of adbd's group of processes, which ends with adbd, where the phone lets us.
	for GROUP in "$ROOT/sys/fs/cgroup" "$ROOT/acct" "$ROOT/dev/cg2_bpf"; do
		[[ -w $GROUP/cgroup.procs ]] && print $$ >"$GROUP/cgroup.procs"
	done
	print -r -- "$RUN $MODE $$" >"$HERE/running"
	cat |&
	exec 3<&p 4>&p

	TICK_CS=$((TICK_MS / 10))
	SLOW_CS=$((SLOW_S * 100))
	CONTEXT_CS=$((CONTEXT_S * 100))
	LEVEL= SLOW_AT= CONTEXT_AT= GAP=
	SIZE=0
	[[ -e $BLOCKS ]] && SIZE=$(wc -c <"$BLOCKS") GAP=$NL
	next_seq
	look_at_clock
	NEXT=$NOW
	while [[ -d $HERE && ! -e $HERE/stop ]] && ((SIZE / 1024 < CAP_KB)); do
		tick
	done
	rm -f "$HERE/running"
	exit 0
}

tick() {
	OUT="@begin $SEQ $BOOT_ID $UP$NL"
	fast_$FAST
	[[ -n $SLOW_AT ]] && since $SLOW_AT
	if [[ -z $SLOW_AT ]] || ((SINCE >= SLOW_CS)); then
		SLOW_AT=$NOW
		slow
	fi
	[[ -n $CONTEXT_AT ]] && since $CONTEXT_AT
	if [[ -z $CONTEXT_AT ]] || ((SINCE >= CONTEXT_CS)); then
		CONTEXT_AT=$NOW
		context
	fi
	cpu_time
	look_at_clock
	OUT="$OUT@end $SEQ $UP ${EPOCHREALTIME:--} $CPU"
	# A full phone takes no block, or half of one: its number is spent, so that the loss is seen,
	# and the next block begins on a line of its own.
	if print -r -- "$GAP$OUT" >>"$BLOCKS"; then GAP=; else GAP=$NL; fi
	SIZE=$((SIZE + ${#OUT} + 1))
	SEQ=$((SEQ + 1))

	# Absolute deadlines, so that the work of a tick does not add up to a drift. A deadline that
	# has passed (the phone was suspended, or a tick took long) is given up, not caught up with.
	NEXT=$((NEXT + TICK_CS))
	((NEXT < 200000000)) || NEXT=$((NEXT - 100000000))
	WAIT=$((NEXT - NOW))
	((WAIT >= -50000000)) || WAIT=$((WAIT + 100000000))
	if ((WAIT <= 0 || WAIT > TICK_CS)); then
		WAIT=1
		NEXT=$NOW
	fi
	pause $WAIT
}

case $1 in
run) run ;;
start) begin ;;
stop) end ;;
remove) clear_away ;;
esac 2>/dev/null
[[ -d $HERE ]] && tell_status 2>/dev/null
