"""Words that keys of the platform and of vendors are built of; they say nothing about a person.

Words of the letters a to f alone are left out: they could be part of an address or a serial.
"""

_TEXT = """
abnormal absent accessory acquired active activity actual adapter adaptive alarm alert amount
asleep asoc audio authentic auto average avg awake backlight backup base batt battery behavior
behaviour blocked bluetooth board boost boot booted bound brightness broadcast broadcasts bsoh
buffer builtin bypass cable cached cal calibrate calibration call callbacks camera cap capacity
carrier cell celsius cert changed changes channel charge charged charger charging check class cold
collect color complete completed component connected connection connector constant consumer
consumers control cool cooling cost count counter cover cpu critical cumulative current currents
cutoff cycle cycles daemon data date day debug deep default delta demand denial denied design
detect detection device devices diff dim direct disable disabled discharge discharged discharging
disconnected discrete disk display displays dock doze dozing drain dream dreaming dump dumping
duration elapsed emergency empty enable enabled end energy engine entity entries error errors
estimated event events exit external factor fail failed failure fake false fast feature features
field filter find first flag flags flash flashlight float floor focused fold force forced
foreground frequency from fuel full future gauge get global good gpu group hal hdr headroom health
heat high history hold hot hours hvdcp identity idle ignore inactive inactivity index indicator
infinity info init input inside instant int interactive internal interval invalid ion isolated job
keep key killed kind last latest learned led left level life light limit limited lines link list
listener listeners live load local location lock locks log logic long longest loss low lower m mah
main maintenance manager manual margin mask max maximum measured mem memory meter middle milli min
minimum minus minutes misc mobile mode model modem mods monitor month motion moto name nan near
negative network next night nominal none normal not now null num number off offline offset old
online open optimized option other outlier output over overheat overload override owned pack panel
parcel part path pause paused peak pending percent period permission phone plan plug plugged plus
pmic policy poly port position positive possible power powered present preset pressure previous
priority process profile programmable property protect protection protocol proximity pulse quick
radio rail range rate ratio raw reading ready reason recent record reg registry regulator
remaining report request required reserve reset residencies resistance restart restrictions result
resumed retry rise root run running safe safety sampling saved saver scale scope screen sdr second
seconds self sensing sensor sensors series service services session set setting settings severe
shallow shell shutdown signal sink size skin slate sleep sleeping slow smart smooth snapshot soc
software source speaker speed stable stack standard standby start started starting starts state
states static statistics stats status step steps stop stopped storage strongest sub subsystem
success successfully summary super supplied supply suspend suspended sustained switch system table
task technology temp temperature temperatures test text thermal threshold thresholds throttle
throttled throttling time timeout timer timers times too top total transition trickle trip true
turbo type types under unknown unplugged unset unspecified unsupported unused update updated
updates updating upper uptime usable usage usb use used user uses valid value values vbat vbus
vendor version video virtual volt voltage vsys wait waiting wake wakefulness wakelock warm warning
was watchdog watt wear wifi window wired wireless with within year yes zero zone
"""
WORDS = frozenset(_TEXT.split())
