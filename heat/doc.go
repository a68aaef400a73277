// SPDX-License-Identifier: Apache-2.0

// Package heat holds a tent's temperature with a switched heater, and holds
// the heater off on any doubt.
//
// [Controller] is the whole decision as a pure step: what the probes say and
// how long it has been in, on or off and why out. [Loop] takes it through
// time: it looks at the probes, renews the output's lease itself, keeps two
// small files and tells a [Journal]. Nothing here needs the store, the alerts,
// the page or the model to work.
//
// The heater is off at start, at stop and in every state named by a [Reason].
// Three things keep it from staying on when this program does not do what it
// should: every output goes off by itself when it is not renewed within its
// lease (see [Output]); limits come from the configuration alone and nothing
// that a caller can say raises one; and a separate manual-reset thermal
// cut-out in series, which [ConfigSection] wants declared. Software is never
// the only thing between a heater and a fire.
//
// Times inside a step are durations of the monotonic clock. Temperatures are
// °C, differences K.
package heat
