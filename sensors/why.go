// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"errors"
	"fmt"
	"time"

	"curewright/model/words"
)

// Reasons a reading can fail. Test for them with [errors.Is]; [Reason] gives
// the short word used in metrics and on pages.
var (
	ErrAbsent      error = reason{word: "absent"}
	ErrWrongDevice error = reason{word: "wrong_device"}
	ErrChecksum    error = reason{word: "checksum"}
	ErrPowerOn     error = reason{word: "power_on"}
	ErrRange       error = reason{word: "range"}
	ErrJump        error = reason{word: "jump"}
	ErrStuck       error = reason{word: "stuck"}
	ErrTimeout     error = reason{word: "timeout"}
	ErrStale       error = reason{word: "stale"}
	ErrBus         error = reason{word: "bus"}
	ErrDoubted     error = reason{word: "doubted"}
	ErrEmpty       error = reason{word: "empty"}
)

// reason is one word; its sentence is "probe.reason.WORD" of the catalogue, or a
// refusal's own, which is English in every language.
type reason struct{ word, refusal string }

func (r reason) Error() string { return r.Say(words.View{}) }

// Say is the reason in the reader's language.
func (r reason) Say(v words.View) string {
	if r.refusal != "" {
		return r.refusal
	}
	return v.Words.Text("probe.reason." + r.word)
}

// Reason returns the one-word reason of an error for metrics, pages and
// alerts: absent, wrong_device, checksum, power_on, range, jump, stuck,
// timeout, stale, bus, doubted, empty, other; for a push also not_accepted, too_many,
// future, too_old, repeat, name, wired, flood, undated; "" for nil.
func Reason(err error) string {
	if err == nil {
		return ""
	}
	if r, ok := errors.AsType[reason](err); ok {
		return r.word
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return "timeout"
	}
	return "other"
}

// Facts are what the {names} of a sentence stand for, see [words.Facts].
type Facts = words.Facts

// ReadError is why there is no reading. [Said] words it for a person; Error is the
// same in English, for the log.
type ReadError struct {
	Reason error // [ErrAbsent] and the others; nil for that of the cause
	// Code names what is known more exactly, "probe.why.CODE" of the catalogue, and
	// what to do about it, "probe.do.CODE". Either may be missing.
	Code  string
	Facts Facts // "err" is the cause, where there is one
}

// Fail returns a [ReadError].
func Fail(reason error, code string, facts Facts) error { return &ReadError{reason, code, facts} }

func (e *ReadError) Error() string { return e.Say(words.View{}) }

func (e *ReadError) Unwrap() (errs []error) {
	for _, x := range []any{e.Reason, e.Facts["err"]} {
		if err, ok := x.(error); ok {
			errs = append(errs, err)
		}
	}
	return errs
}

// Sentence is the reason and what is known of it, with temperatures for any unit.
func (e *ReadError) Sentence(c *words.Catalogue) words.Sentence {
	var why words.Sentence
	if code := "probe.why." + e.Code; c.Has(code) {
		why = c.Sentence(code, e.Facts)
	}
	if e.Reason == nil {
		return why
	}
	if why == nil {
		only, _ := Said(e.Reason, words.View{Words: c})
		return words.Plain(only)
	}
	return c.Sentence("probe.reason_why", Facts{"reason": e.Reason, "why": why})
}

// Say is the sentence as a reader has it.
func (e *ReadError) Say(v words.View) string { return e.Sentence(v.Words).Text(time.Time{}, v) }

// Said is what an error says to a person and what can be done about it, each "" for
// nothing. An error from elsewhere is quoted.
func Said(err error, v words.View) (why, hint string) {
	if err == nil {
		return "", ""
	}
	if own, ok := err.(interface{ Say(words.View) string }); ok {
		why = own.Say(v)
	} else {
		why = v.Say("probe.why.passed", Facts{"err": err})
	}
	for at := err; at != nil; {
		e, ok := errors.AsType[*ReadError](at)
		if !ok {
			break
		}
		if code := "probe.do." + e.Code; v.Words.Has(code) {
			return why, v.Say(code, e.Facts)
		}
		at, _ = e.Facts["err"].(error)
	}
	if code := "probe.do." + Reason(err); v.Words.Has(code) {
		hint = v.Words.Text(code)
	}
	return why, hint
}

// Late is [ErrTimeout] of a context that has ended.
func Late(err error) error { return Fail(ErrTimeout, "", Facts{"err": err}) }

// outside is [ErrRange] of a value with its unit.
func outside(x, lo, hi float64, unit string) error {
	q := func(x float64) any {
		if unit == "°C" {
			return words.Tenth(x)
		}
		return fmt.Sprintf("%.5g %s", x, unit)
	}
	return Fail(ErrRange, "not_in", Facts{"x": q(x), "lo": q(lo), "hi": q(hi)})
}

// BadSum is [ErrChecksum] of what came with one sum and has another.
func BadSum(came, sum byte) error {
	return Fail(ErrChecksum, "sum", Facts{"came": fmt.Sprintf("%02x", came), "sum": fmt.Sprintf("%02x", sum)})
}
