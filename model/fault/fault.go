// SPDX-License-Identifier: Apache-2.0

// Package fault is what is wrong with a question, a record or a request: each
// fault with the field that it is of, all of them at once. It is the one such
// type; a package that checks something calls it by its own name.
package fault

import "strings"

// Fault is one thing wrong with one field. Field is its key as files and the API
// spell it, or another place such as a step's; "" for the whole.
type Fault struct {
	Field string `json:"field"`
	What  string `json:"what"`
}

// Error returns "field: what".
func (f Fault) Error() string {
	if f.Field == "" {
		return f.What
	}
	return f.Field + ": " + f.What
}

// List is every fault at once; it is an error.
type List []Fault

func (l List) Error() string {
	s := make([]string, len(l))
	for i, f := range l {
		s[i] = f.Error()
	}
	return strings.Join(s, "; ")
}

// Err returns nil for no faults.
func (l List) Err() error {
	if len(l) == 0 {
		return nil
	}
	return l
}
