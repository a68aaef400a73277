// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"curewright/history"
	"curewright/internal/fault"
)

type RestoreCmd struct {
	File string `arg:"" placeholder:"FILE" type:"path" help:"A copy made by backup, by the nightly copy or by the page."`
	Data string `required:"" placeholder:"DIR" type:"path" help:"Folder of the store to put it into; no daemon may run on it."`
	JSON bool   `help:"Print one JSON object."`
}

func (RestoreCmd) Help() string {
	return "The copy is checked whole before anything is touched. The store that was there is kept in the folder quarantine beside it.\n\nExample:\n\n  sudo systemctl stop curewright\n  sudo curewright restore /media/stick/curewright.db \\\n    --data /var/lib/curewright"
}

func (c *RestoreCmd) Run(a *App) error {
	if _, err := os.Stat(c.File); errors.Is(err, fs.ErrNotExist) {
		return fault.Inputf("%s: no such file", c.File)
	}
	got, err := history.CheckFile(a.Ctx, c.File)
	if err != nil {
		return fault.Inputf("%s: %v", c.File, err)
	}
	// A restore by root must not take the store away from the daemon's user.
	owner := ownerOf(c.Data)
	if err := history.Restore(a.Ctx, c.File, c.Data); err != nil {
		if errors.Is(err, history.ErrInUse) {
			return fmt.Errorf("%w: stop the daemon first (sudo systemctl stop curewright)", err)
		}
		return err
	}
	if err := owner.give(c.Data); err != nil {
		return fmt.Errorf("restored, but the files could not be given back to their owner: %w", err)
	}
	n := 0
	for _, rows := range got.Rows {
		n += rows
	}
	return a.done(c.JSON, map[string]any{"data": c.Data, "rows": n, "bytes": got.Bytes, "before": c.Data + "/quarantine"},
		"restored", facts{"data": c.Data, "rows": n, "mb": fmt.Sprintf("%.1f", float64(got.Bytes)/1e6), "before": c.Data + "/quarantine"})
}
