// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"encoding/json"

	"curewright/dashboards/web"
	"curewright/internal/daemon/learnt"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/memory"
	"curewright/model/words"
)

func (d *Daemon) openMemory() (*learnt.Memory, error) {
	return learnt.Open(learnt.Options{
		Section: d.cfg.Memory, Store: d.store, Now: d.clk.Now, Log: d.log, Work: d.work, News: d.RequestEvaluation, Refused: webError,
		Lesson: func(id string, w *coat.Work, s job.Settings) (memory.Lesson, error) {
			return d.est.Lesson(id, w, storeReadings{d.store}, s)
		},
		View: func(ctx context.Context) words.View {
			v := d.view(d.settings())
			v.Words = d.wordsFor(ctx)
			return v
		},
	})
}

// Memory is all that was learnt.
func (d *Daemon) Memory(ctx context.Context) (json.RawMessage, error) { return d.mem.View(ctx) }

// ForgetMemory forgets what fits the body.
func (d *Daemon) ForgetMemory(ctx context.Context, who web.Who, body json.RawMessage) (json.RawMessage, error) {
	var q learnt.MemoryForget
	if err := strict(body, &q); err != nil {
		return nil, err
	}
	return d.mem.Forget(ctx, who, q)
}

// MemoryFile is what was learnt as one small file.
func (d *Daemon) MemoryFile(ctx context.Context, lots bool) ([]byte, error) {
	return d.mem.File(ctx, lots)
}

// ImportMemory takes such a file.
func (d *Daemon) ImportMemory(ctx context.Context, who web.Who, b []byte) (json.RawMessage, error) {
	return d.mem.Import(ctx, who, b)
}
