// SPDX-License-Identifier: Apache-2.0

// Package pagetest holds the page's tests: Chromium against the real daemon over a
// simulated shed with its own clock. There is no code here beside the tests.
package pagetest
