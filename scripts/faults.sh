#!/usr/bin/env bash
# SPDX-License-Identifier: Apache-2.0
# The fault campaign: every fault that is injected into the store, the probes,
# the heater, the senders and the whole daemon, at full size, one after the
# other, and a table of what was done and what came of it. About a quarter of
# an hour on two cores; root, for the small file systems.
#
#   make faults                 the whole campaign, 100 kills each
#   FAULTS=20 make faults       smaller
#   ONLY=clock make faults      the rows whose name has that in it
#   SKIP=killed make faults     the others
#
# Logs stay in the folder that is printed at the end.
set -uo pipefail
cd "$(dirname "$0")/.."

n=${FAULTS:-100}
only=${ONLY:-}
skip=${SKIP:-}
go=${GO:-go}
logs=$(mktemp -d "${TMPDIR:-/tmp}/curewright-faults-XXXXXX")
rows=() bad=0 number=0
trap 'rm -rf "$logs/bin"' EXIT

# test_of DIR PATTERN FAULTS: runs a package's tests by a binary that is built
# once for all rows.
test_of() {
	local bin=$logs/bin/${1//\//_}
	[[ -e $bin ]] || $go test -c -o "$bin" "$1" || return
	[[ -e $bin ]] || return 0 # it has no tests
	(cd "$1" && CUREWRIGHT_FAULTS=$3 "$bin" -test.v -test.count=1 -test.timeout 60m -test.run "$2")
}

# inject NAME SIZE PACKAGES PATTERN [FAULTS]: runs the tests and notes a row.
inject() {
	local name=$1 size=$2 packages=$3 pattern=$4 faults=${5:-}
	[[ -z $only || $name == *"$only"* ]] || return 0
	[[ -z $skip || $name != *"$skip"* ]] || return 0
	number=$((number + 1))
	local log start rc=0 ok failed skipped dir
	log=$logs/$(printf '%02d' $number).log
	echo "== $name ($size)" >&2
	start=$SECONDS
	# shellcheck disable=SC2086 # several packages
	for dir in $($go list -f '{{.Dir}}' $packages); do
		test_of "$dir" "$pattern" "$faults" >>"$log" 2>&1 || rc=1
	done
	ok=$(grep -c '^ *--- PASS' "$log")
	failed=$(grep -c '^ *--- FAIL' "$log")
	skipped=$(grep -c '^ *--- SKIP' "$log")
	# What a test says of itself when it has gone well.
	grep -E '^ +[a-z_]+_test\.go:[0-9]+: ' "$log" | grep -E "${SAY:-kills|flips|holes|calls|readings|events|simulated|heater off|back for}" |
		sed -E 's/^ +[a-z_]+_test\.go:[0-9]+: /   /' | tail -6 >&2
	local result=held
	if ((rc != 0)); then
		result=FAILED
		bad=1
	elif ((ok == 0)); then
		result="not run"
		bad=1
	elif ((skipped > 0)); then
		result="held, $skipped skipped"
	fi
	rows+=("| $name | $size | $ok | $failed | $skipped | $((SECONDS - start)) s | $result |")
}

d=./internal/daemon
inject "the program killed (kill -9) under load" "$n kills" $d '^TestFaultKill$' "$n"
inject "the store killed while writing" "$n kills" ./history '^TestKill$' "$n"
inject "killed with messages to send" "3 kills" ./internal '^TestOutboxSurvivesKill$'
inject "database and log: single bits flipped; they and the journal cut short" "2 × $n flips, 3 × $((n + 13)) cuts" ./history '^Test(FlippedBytes|Truncated)$' "$n"
inject "holes of 4 kB in log, database and journal" "3 × 50 holes" ./history '^TestHoles$' 50
inject "each call to the card fails once, under every way of entry: the store's, and the API's" "two errors" "./history $d" '^TestEvery(Call|Entry)Fails$' 1
inject "a card that hangs in a sync" "" "./alerts $d" '^Test(HungStore.*|HungCardHoldsUpNothing)$'
inject "files taken away, swapped; the lock's name gone" "" ./history '^Test(FilesTakenAwayWhileRunning|LockHoldsWithoutItsName|LeftoversAreRemoved)$'
inject "log-ins taken back: racing a use, on a full card, against an old copy; foreign copies" "" ./history '^Test(Revoke.*|CopiesHoldNoTokens|ForeignSchemaIsRefused)$'
inject "a copy put in place of the running store while somebody enters" "" $d '^Test(CopyTakesPlaceAtOnce|NothingIsEnteredBeforeTheNewStart)$'
inject "damage while running" "" ./history '^Test(DamageWhileRunning|FlushesWhileWoken)$'
inject "card full" "store, first start, file size limit, heater, daemon, its start on a network" "./history ./heat $d" '^Test(DiskFull|StartsOnAFullCardOnANetwork|FirstStartOnFullDisk|FileSizeLimit|Ring|FullCard|FaultDiskFull)$' "$n"
inject "card read-only, and well again" "" ./history '^TestReadOnlyCard$'
inject "clock: a year back and forward, hours, unknown at boot, set twice" "" "$d ./history ./alerts ./sensors" '^Test(FaultClock.*|ClockSteps|UntrustedClock|NeverDated|ClockSetBack|PushAfterTheClockIsPutBack|WallClockIsTheMachines|PollerOnACorrectedClock)$'
inject "a phone with a wrong date, and the right one later" "" "./history $d" '^Test(JumpedDateErasesNothing|RightDateAfterAWrongOne|TwoConfirmationsAtOnce|FaultWrongPhoneDate|FaultPhoneHoursOff|SecondDateIsAskedAbout|KernelReplacesPhoneDate|RestartBeforeTheDateIsKnown)$'
inject "probes: every fault on every driver" "9 drivers" ./sensors '^Test(EveryFault.*|TwoChipsAtOneAddress|DS18B20Faults|BusError|Poller.*|SetKeepsFaultsApart|SetKnowsAStuckProbe|Filter.*)$'
inject "heater: every fault in every state" "" ./heat '^TestFaultTable$'
inject "heater: probes off by some kelvins, two that disagree, limits that nobody accepted" "12 h each, simulated" ./heat '^Test(OffsetProbes|LimitProbesDisagree|NeverAccepted|LatchIsOnDiskFirst)$'
inject "heater's outputs: guard killed, hung, line held by another; daemon killed, hung, panicking; command, pulse, plug" "real processes" "./heat/relay ./heat/command ./heat/pulse ./heat/plug" '^Test'
inject "who may: proxies, loopback, the socket as somebody else, every route with every role" "" ./dashboards/web '^Test(LoopbackMayNotControl|DeclaredProxy|Socket|ListenSocket|RoleMatrix|HostAndOrigin)$'
inject "a browser on another site's page, and a name pointed at the board" "real Chromium" ./dashboards/web '^TestGateInBrowser$'
inject "plans whose sockets close, idle connections, one log-in's streams, probes gone mad" "30 plans, 1024 connections, 1000 probes" "./dashboards/web ./sensors" '^Test(PlansAreQueued|LongWorkEnds|StrangersMakeRoom|ConnectionLimits|TooManyPages|WaitingProbes|AcceptedAtOnce)$'
inject "an escalation over a dead webhook" "24 simulated hours" ./alerts '^TestEscalationOverDeadWebhook$'
inject "the daemon killed while it heats, by relay, pulse and command; its file edited before" "real processes" $d '^TestFaultHeaterKilled$' 1
inject "TLS: handshakes that never end, a certificate that is over, gone, broken, new" "768 handshakes" ./dashboards/web '^Test(HandshakeFlood|CertificateRunsOut|TLSFiles)$'
inject "the same key twice, two changes at once, pipes and devices as input" "" "$d ./internal/file" '^Test(IdempotencyKeyIsOnesOwn|SettingsAtOnce|NewProbeOnAFullCard|Read)$'
inject "database, hook, Alertmanager and mail server gone" "72 simulated hours" $d '^TestFaultServersGone$' "$n"
inject "MQTT broker and InfluxDB server gone, refusing, killed" "real broker and server" "./history/forward/... $d" '^Test(ReadingsThroughOutage|ReadingsRefused|RejectedPoint|RefusesEverything|BadLinkGetsOn|RepeatsAfterBreak|VictoriaMetrics|MQTT|InfluxDaemon)$'
inject "alert channels down, slow, refusing, hanging, missing" "" "./alerts/... $d" '^Test(SlowChannelHoldsUpNoOther|Retry.*|AtLeastOnce|ResolvedWhileDown|FullCardStillDelivers|OutboxCatchesUp|DamagedRows|QueueIsBounded|HangingServer|Hanging|Unreachable|DownAndLogIn|RealAlertmanager|MissingBuzzerIsCalledDown)$'
inject "10 000 readings a second pushed, beside a page that does not read" "60 s" $d '^TestFaultFlood$' "$n"
inject "a page that does not read" "" "$d ./dashboards/web" '^Test(FaultSlowPage|SlowPageIsDropped|DeadPageIsCutOff|TooManyPages)$'
inject "the daemon for days on end" "72 simulated hours" $d '^TestFaultSoak$' "$n"

echo
echo "$(date -u +%F), $($go version | cut -d' ' -f3,4), $(git describe --always --dirty 2>/dev/null), $(nproc) cores"
echo
echo "| injected | size | tests held | failed | skipped | took | |"
echo "|---|---|---|---|---|---|---|"
printf '%s\n' "${rows[@]}"
echo
echo "logs: $logs"
exit $bad
