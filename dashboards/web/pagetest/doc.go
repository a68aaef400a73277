// Package pagetest holds a shed that is made up but plays by the real server's
// rules: a [Shed] is a [web.Backend] in memory with canned situations (act
// now, wait, feel, trouble, not known, a gap, dew, no probe, a cup running, a
// hundred coats). The page is looked at, and tested in a real browser, against
// it. Nothing here computes a cure: the figures are drawn by hand.
package pagetest
