// SPDX-License-Identifier: Apache-2.0

package daysheet

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"curewright/model/plan"
	"curewright/model/words"
)

// AlarmLead is how long before a step the phone speaks.
const AlarmLead = 10 * time.Minute

// ICS is the plan as an iCalendar file (RFC 5545): one event a step that is
// not done, in UTC, with an alarm before it. The same step of the same job
// keeps its UID, so that a re-plan replaces what the phone holds.
func ICS(res plan.Result, o Options) []byte {
	var b bytes.Buffer
	line := func(name, value string) { fold(&b, name+":"+value) }
	stamp := o.Made
	if stamp.IsZero() && res.Start != nil {
		stamp = *res.Start
	}
	line("BEGIN", "VCALENDAR")
	line("VERSION", "2.0")
	line("PRODID", "-//curewright//day sheet//EN")
	line("CALSCALE", "GREGORIAN")
	line("METHOD", "PUBLISH")
	line("X-WR-CALNAME", text(o.title()))
	for _, s := range res.Steps {
		if s.Done {
			continue
		}
		line("BEGIN", "VEVENT")
		sum := sha256.Sum256([]byte(o.title() + "\x00" + s.Panel + "\x00" + s.Step))
		line("UID", hex.EncodeToString(sum[:12])+"@curewright")
		line("DTSTAMP", utc(stamp))
		// A later plan outranks an earlier one.
		line("SEQUENCE", fmt.Sprint(max(0, stamp.Unix()/60%1000000000)))
		line("DTSTART", utc(s.At))
		end := s.Until
		if !end.After(s.At) {
			end = s.At.Add(time.Minute)
		}
		line("DTEND", utc(end))
		line("SUMMARY", text(o.summary(s)))
		parts := []string{s.Say}
		for _, c := range o.cups(s.Batches) {
			parts = append(parts, o.t("cup.line", words.Facts{"cup": c}))
		}
		parts = append(parts, o.t("estimate", nil))
		line("DESCRIPTION", text(strings.Join(parts, "\n")))
		if o.Shop != "" {
			line("LOCATION", text(o.Shop))
		}
		line("CATEGORIES", "LAYUP")
		line("BEGIN", "VALARM")
		line("ACTION", "DISPLAY")
		line("DESCRIPTION", text(o.summary(s)))
		if f := s.FeelFrom; f != nil && f.Before(s.At) {
			line("TRIGGER;VALUE=DATE-TIME", utc(*f)) // when feeling begins
		} else {
			line("TRIGGER", fmt.Sprintf("-PT%dM", int(AlarmLead.Minutes())))
		}
		line("END", "VALARM")
		line("END", "VEVENT")
	}
	line("END", "VCALENDAR")
	return b.Bytes()
}

func (o Options) summary(s plan.Planned) string {
	what := s.Do
	switch {
	case s.Do == "coat":
		what = o.Known("kind."+s.Coat, s.Coat)
	case s.Do == "cloth" && s.Cloth != "":
		what = o.t("do.lay", words.Facts{"cloth": s.Cloth})
	case s.Do == "flip":
		what = o.t("do.flip", words.Facts{"to": s.To})
	}
	return what + ", " + s.Panel
}

func utc(t time.Time) string { return t.UTC().Format("20060102T150405Z") }

// text escapes a TEXT value (RFC 5545 §3.3.11) and drops control characters,
// which it may not hold.
func text(s string) string {
	var b strings.Builder
	for _, r := range strings.ReplaceAll(s, "\r\n", "\n") {
		switch {
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\\' || r == ';' || r == ',':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' && r != '\t' || r == 0x7f || r == utf8.RuneError:
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// fold writes a content line in pieces of at most 75 octets, never within a
// character (RFC 5545 §3.1).
func fold(b *bytes.Buffer, s string) {
	room := 75
	for len(s) > room {
		cut := room
		for !utf8.RuneStart(s[cut]) {
			cut--
		}
		b.WriteString(s[:cut])
		b.WriteString("\r\n ")
		s = s[cut:]
		room = 74 // the space counts
	}
	b.WriteString(s)
	b.WriteString("\r\n")
}
