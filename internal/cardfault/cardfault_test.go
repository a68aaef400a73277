// SPDX-License-Identifier: Apache-2.0

package cardfault

import (
	"database/sql"
	"path/filepath"
	"testing"

	_ "modernc.org/sqlite"
)

// Every writing call of a commit is seen, and a refusal reaches the caller.
func TestEveryCallIsAsked(t *testing.T) {
	Set(nil)
	defer Set(nil)
	db, err := sql.Open("sqlite", "file:"+filepath.Join(t.TempDir(), "x.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	seen := map[Op]int{}
	Set(func(op Op, path string) error { seen[op]++; return nil })
	if _, err := db.Exec("CREATE TABLE t (x); INSERT INTO t VALUES (1)"); err != nil {
		t.Fatal(err)
	}
	if seen[Write] == 0 || seen[Sync] == 0 || seen[Open] == 0 {
		t.Errorf("calls seen: %v, want writes, syncs and opens", seen)
	}
	for _, op := range []Op{Write, Sync} {
		Set(func(o Op, _ string) error {
			if o == op {
				return ErrFull
			}
			return nil
		})
		if _, err := db.Exec("INSERT INTO t VALUES (2)"); err == nil {
			t.Errorf("a refused %s went through", op)
		}
	}
	Set(nil)
	var n int
	if err := db.QueryRow("SELECT count(*) FROM t").Scan(&n); err != nil || n != 1 {
		t.Errorf("%d rows, %v; want the one that was accepted", n, err)
	}
}
