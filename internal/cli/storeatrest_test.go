// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/internal/daemon/daemontest"
)

// With no daemon, record and export read this machine's own store where it
// lies; another machine's is never stood in for.
func TestStoreAtRest(t *testing.T) {
	full, empty := t.TempDir(), t.TempDir()
	daemontest.New(t, daemontest.Options{Dir: full, At: time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)}).Store().Close()
	gone := fmt.Errorf("record: %w", client.ErrNoDaemon)
	for name, tt := range map[string]struct {
		server string
		err    error
		dir    string
		want   string
	}{
		"no daemon":          {client.DefaultServer, gone, full, full},
		"no store":           {client.DefaultServer, gone, empty, ""},
		"another machine":    {"http://shed.example:8374", gone, full, ""},
		"the daemon said no": {client.DefaultServer, errors.New("panel none: not found"), full, ""},
		"the daemon answers": {client.DefaultServer, nil, full, ""},
	} {
		if got := (&App{Server: tt.server}).storeAtRest(tt.err, tt.dir); got != tt.want {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
}
