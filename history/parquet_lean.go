// SPDX-License-Identifier: Apache-2.0

//go:build lean

package history

import (
	"context"
	"errors"
	"io"
)

// ExportParquet is not in the build for the smallest boards, which has no room
// for the library.
func (s *Store) ExportParquet(context.Context, io.Writer, ExportQuery) (int, error) {
	return 0, errors.New("history: export: this build for small boards cannot write Parquet: export CSV, or run a full build's export on a copy of the store")
}
