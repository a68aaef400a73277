// SPDX-License-Identifier: Apache-2.0

// Package bench holds the comparison of the cure integral with SUNDIALS CVODE.
//
//	go test -run '^$' -bench . ./bench
//
// runs both over the same day in one run and reports the ratio.
package bench
