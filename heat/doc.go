// SPDX-License-Identifier: Apache-2.0

// Package heat holds a tent's temperature with a switched heater, and holds
// the heater off whenever anything is in doubt.
//
// [Controller] makes the whole decision as a step without input or output: from the
// probes' values and the time to on or off, and why. [Loop] runs it: it reads the
// probes, renews the output's lease, keeps two small files and writes to a
// [Journal]. Nothing here needs the store, the alerts, the pages or the model.
//
// The heater is off at start, at stop and in every state named by a [Reason].
// Three things keep it from staying on when this program does not do what it
// should: every output goes off by itself when it is not renewed within its
// lease (see [Output]); limits come from the configuration alone and nothing
// that a caller passes can raise one; and a separate manual-reset thermal
// cut-out in series, which [ConfigSection] requires to be declared. Software is never
// the only thing between a heater and a fire.
//
// Times inside a step are durations of the monotonic clock. Temperatures are
// °C, differences K.
package heat
