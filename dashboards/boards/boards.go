// SPDX-License-Identifier: Apache-2.0

// Package boards carries what a yard's own metrics stack wants of curewright:
// a Grafana board for a shed, one for a yard of many, and recording and
// alerting rules for Prometheus. The files are generated in gen, a module of
// its own, and committed; this package only embeds them. docs/fleet.md says
// how to use them.
package boards

import "embed"

// Files holds shed.json, yard.json and rules.yml, and below fleet the sample
// configurations of the docs.
//
//go:embed shed.json yard.json rules.yml fleet
var Files embed.FS
