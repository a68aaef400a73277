// SPDX-License-Identifier: Apache-2.0

package logch

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"strings"
	"testing"

	"curewright/alerts"
)

func TestSend(t *testing.T) {
	var b bytes.Buffer
	c := New("log", slog.New(slog.NewTextHandler(&b, nil)))
	err := c.Send(t.Context(), alerts.Message{What: alerts.WhatFiring, Text: "Get out.", AckURL: "http://shed.local/ack/secret-token", Lines: []string{"one"},
		Alert: &alerts.Alert{ID: "a", Rule: alerts.CupOver, Subject: "batch-1", Severity: alerts.Danger}})
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"level=ERROR", `say="Get out."`, "rule=cup_over", "subject=batch-1", "line=one"} {
		if !strings.Contains(b.String(), w) {
			t.Errorf("no %s in %s", w, b.String())
		}
	}
	if strings.Contains(b.String(), "secret-token") {
		t.Error("the link's token is in the log")
	}
}

func Example() {
	h := slog.NewTextHandler(os.Stdout, &slog.HandlerOptions{ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}})
	New("log", slog.New(h)).Send(context.Background(), alerts.Message{What: alerts.WhatTest, Text: "This is a test."})
	// Output:
	// level=INFO msg=alert what=test say="This is a test."
}
