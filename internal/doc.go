// SPDX-License-Identifier: Apache-2.0

// Package internal holds the checks of the whole tree: import rules, and that
// the model has no clock.
package internal
