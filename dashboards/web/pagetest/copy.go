package pagetest

import (
	"bytes"
	"context"
	"io"

	"curewright/dashboards/web"
)

var _ web.RestoreBackend = (*Shed)(nil)

// Restore implements [web.RestoreBackend]: it takes what Backup gave out and
// nothing else, and keeps nothing of it.
func (s *Shed) Restore(ctx context.Context, _ web.Who, r io.Reader) (string, error) {
	got, err := io.ReadAll(r)
	if err != nil {
		return "", err
	}
	var want bytes.Buffer
	if err := s.Backup(ctx, &want); err != nil {
		return "", err
	}
	if !bytes.Equal(got, want.Bytes()) {
		return "", web.Faults{{What: "this is not a copy of a made-up shed"}}
	}
	return "The copy is whole. It is taken at the next start.", nil
}
