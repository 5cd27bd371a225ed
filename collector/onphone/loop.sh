# rundown loop 1: one framed block per tick on standard output, for Android's mksh and toybox.
# The line before this one sets FAST SUPPLY TICK_MS SLOW_S CONTEXT_S FIRST_SEQ. Standard input
# stays open and silent while the host listens; its end, or a hang-up, ends the loop.
# The framing is described in parsers/blocks.py.

export LC_ALL=C
set +U 2>/dev/null  # lengths in bytes, not characters
trap 'exit 0' HUP TERM PIPE
NL='
'
ROOT=${RUNDOWN_ROOT:-}  # another root for tests

read -r BOOT_ID <"$ROOT/proc/sys/kernel/random/boot_id"
BOOT_ID=${BOOT_ID%%-*}
SEQ=$FIRST_SEQ
TICK_CS=$((TICK_MS / 10))
SLOW_CS=$((SLOW_S * 100))
CONTEXT_CS=$((CONTEXT_S * 100))
LEVEL=

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

# One process per tick: the live current, at every fifth tick the charge counter instead.
fast_property() {
	ID=2
	((SEQ % 5 == 4)) && ID=1
	part property_$ID "$(service call batteryproperties 1 i32 $ID 2>&1)"
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
	part settings "screen_brightness=$(settings get system screen_brightness 2>&1)
screen_brightness_mode=$(settings get system screen_brightness_mode 2>&1)
low_power=$(settings get global low_power 2>&1)"
}

# CPU time of this shell and of everything it started, in clock ticks.
cpu_time() {
	CPU=-
	{ read -r STAT <"$ROOT/proc/self/stat"; } 2>/dev/null || return
	set -- ${STAT##*) }
	CPU=$((${12} + ${13} + ${14} + ${15}))
}

look_at_clock
NEXT=$NOW
SLOW_AT=
CONTEXT_AT=
while :; do
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
	print -r -- "$OUT@end $SEQ $UP ${EPOCHREALTIME:--} $CPU" || exit 0
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
	FRACTION=0$((WAIT % 100))
	BEFORE=$NOW
	read -r -t $((WAIT / 100)).${FRACTION: -2} IGNORED
	look_at_clock
	since $BEFORE
	# Back at once without a line: standard input has ended, the host is gone.
	((SINCE * 4 >= WAIT * 3)) || [[ -n $IGNORED ]] || exit 0
done
