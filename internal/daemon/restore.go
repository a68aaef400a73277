// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"curewright/dashboards/web"
	"curewright/history"
)

// waitingRestore is a copy that was checked and takes the store's place when
// the daemon starts next, since the store of a running daemon can't be exchanged.
const waitingRestore = "restore-at-start.db"

// Restore takes a copy made by Backup and puts it in place at the next start.
func (d *Daemon) Restore(ctx context.Context, who web.Who, r io.Reader) (string, error) {
	f, err := os.CreateTemp(d.cfg.Store.Path, ".restore-*")
	if err != nil {
		return "", err
	}
	defer os.Remove(f.Name())
	_, err = io.Copy(f, r)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return "", fmt.Errorf("restore: %w", err)
	}
	if _, err := history.CheckFile(ctx, f.Name()); err != nil {
		return "", web.Faults{{What: fmt.Sprintf("this is no whole copy of a store: %v", err)}}
	}
	if d.restart != nil {
		d.leave(true)
	}
	if err := os.Rename(f.Name(), filepath.Join(d.cfg.Store.Path, waitingRestore)); err != nil {
		d.leave(false)
		return "", err
	}
	d.event("restore", "", "a copy was handed in by "+who.Name+" and takes the store's place at the next start", d.clk.Now())
	if d.restart == nil {
		return d.lang.Text("store.copy_next"), nil
	}
	select {
	case d.restart <- struct{}{}:
	default:
	}
	return d.lang.Text("store.copy_now"), nil
}

// leave refuses all entries from when a copy is taken until the restart, since they
// would be lost with the store that is replaced. When it returns, entries under way are
// finished.
func (d *Daemon) leave(on bool) {
	d.workMu.Lock()
	defer d.workMu.Unlock()
	d.settingsMu.Lock()
	defer d.settingsMu.Unlock()
	d.leaves.Store(on)
}

// mayEnter returns an error once entries would be lost by the restart.
func (d *Daemon) mayEnter() error {
	if d.leaves.Load() {
		return fmt.Errorf("%w: a copy is taking the store's place; enter it again when the page is back, in a few seconds", web.ErrNotKept)
	}
	return nil
}

// finishRestore puts a waiting copy in the store's place.
func finishRestore(ctx context.Context, dir string) (done bool, err error) {
	file := filepath.Join(dir, waitingRestore)
	if _, err := os.Stat(file); errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	if err := history.Restore(ctx, file, dir); err != nil {
		return false, fmt.Errorf("restore: %w", err)
	}
	return true, os.Remove(file)
}
