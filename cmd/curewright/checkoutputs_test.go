package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// check prints what would be sent where.
func TestCheckPrintsOutputs(t *testing.T) {
	f := filepath.Join(t.TempDir(), "c.toml")
	text := "[shop]\nname = \"Boat shed\"\n[mqtt]\nurl = \"mqtts://broker.local\"\n[[mqtt.topic]]\ntopic = \"radio/+\"\nplain = \"temp\"\n[influx]\nurl = \"http://metrics.local:8428\"\nbucket = \"shed\"\n"
	if err := os.WriteFile(f, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out := cmdOK(t, "check", "--config", f)
	for _, w := range []string{"mqtt       mqtts://broker.local:8883, topics below curewright/boat-shed", "listens to radio/+: probe $1", "influx     http://metrics.local:8428, bucket shed"} {
		if !strings.Contains(out, w) {
			t.Errorf("check prints\n%s\nwithout %q", out, w)
		}
	}
}
