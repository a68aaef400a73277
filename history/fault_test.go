// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"curewright/sensors"
)

// TestMain runs the child of the kill test when asked to.
func TestMain(m *testing.M) {
	if dir := os.Getenv("HISTORY_TEST_CHILD"); dir != "" {
		child(dir)
	}
	os.Exit(m.Run())
}

// child writes as fast as it can and says each thing once it was promised.
func child(dir string) {
	s, err := Open(dir, Options{})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	ctx := context.Background()
	w := bufio.NewWriter(os.Stdout)
	say := func(kind string, n int) {
		fmt.Fprintln(w, kind, n)
		w.Flush()
	}
	n := len(s.Records("feel"))
	have := 0 // readings that were not flushed before the kill come again
	for range s.Readings("panel-1", time.Time{}, time.Time{}) {
		have++
	}
	go func() { // background readings, flushed under the entries
		for i := 0; ; i++ {
			s.Append([]sensors.Reading{reading("other", time.Now(), float64(i%30))})
			time.Sleep(time.Millisecond)
		}
	}()
	for i := n; ; i++ {
		at := day.Add(time.Duration(i) * time.Second)
		for ; have <= i; have++ {
			s.Append([]sensors.Reading{reading("panel-1", day.Add(time.Duration(have)*time.Second), float64(have%1000)/16)})
		}
		if _, _, err := s.CreateWork(ctx, "feel", fmt.Sprint("feel-", i), []byte(`{"coat":"coat-1","state":"wet"}`), "child", at, fmt.Sprint("key-", i)); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		say("feel", i)
		if err := s.PutKV(ctx, "alert", "alert", fmt.Append(nil, i)); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		say("alert", i)
		if i%5 == 0 {
			if err := s.Flush(ctx); err != nil {
				fmt.Println("error", err)
				os.Exit(1)
			}
			say("flushed", i)
		}
		if i%40 == 0 {
			if err := s.Compact(ctx); err != nil {
				fmt.Println("error", err)
				os.Exit(1)
			}
		}
	}
}

// again is this program once more. CUREWRIGHT_EMULATOR is what runs it where
// the kernel can't.
func again(args ...string) *exec.Cmd {
	words := append(strings.Fields(os.Getenv("CUREWRIGHT_EMULATOR")), os.Args[0])
	words = append(words, args...)
	return exec.Command(words[0], words[1:]...)
}

// A process killed at any moment loses nothing that it promised.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(5, 6))
	kills := faults(12)
	last := map[string]int{"feel": -1, "alert": -1, "flushed": -1}
	for k := range kills {
		cmd := again("-test.run", "^$")
		cmd.Env = append(os.Environ(), "HISTORY_TEST_CHILD="+dir)
		out, err := cmd.StdoutPipe()
		must(t, err)
		must(t, cmd.Start())
		// Kill after a number of promises, at a random moment of the next.
		stop := 1 + rng.IntN(60)
		sc := bufio.NewScanner(out)
		for n := 0; sc.Scan(); n++ {
			kind, rest, _ := strings.Cut(sc.Text(), " ")
			if kind == "error" {
				t.Fatalf("kill %d: child: %s", k, sc.Text())
			}
			var i int
			fmt.Sscan(rest, &i)
			last[kind] = i
			if n == stop {
				time.AfterFunc(time.Duration(rng.IntN(3000))*time.Microsecond, func() { cmd.Process.Kill() })
			}
		}
		cmd.Wait()
		s, err := Open(dir, Options{})
		if err != nil {
			t.Fatalf("kill %d: does not open: %v", k, err)
		}
		if s.Stats().CleanStop {
			t.Errorf("kill %d: taken for a clean stop", k)
		}
		if tr := s.Trouble(); tr != "" && !strings.Contains(tr, "could not be read") {
			t.Errorf("kill %d: %s", k, tr)
		} else if tr != "" {
			t.Logf("kill %d: the last write was cut short: %s", k, tr)
		}
		for i := range last["feel"] + 1 {
			if _, _, ok := s.Record("feel", fmt.Sprint("feel-", i)); !ok {
				t.Errorf("kill %d: feel %d was promised and is gone", k, i)
			}
		}
		if b, _ := s.KV("alert", "alert"); last["alert"] >= 0 {
			var n int
			fmt.Sscan(string(b), &n)
			if n < last["alert"] {
				t.Errorf("kill %d: alert %d was promised, %d is there", k, last["alert"], n)
			}
		}
		rs := collect(t, s, "panel-1", time.Time{}, time.Time{})
		if n := last["flushed"] + 1; len(rs) < n {
			t.Errorf("kill %d: %d readings were on disk, %d are", k, n, len(rs))
		}
		for i, r := range rs {
			if want := Quantise(reading("panel-1", day.Add(time.Duration(i)*time.Second), float64(i%1000)/16)); r != want {
				t.Fatalf("kill %d: reading %d is %v, want %v", k, i, r, want)
			}
		}
		// Leave it as a crash would, for the next child: only the lock goes.
		if k%2 == 0 {
			s.Close()
		} else {
			abandon(s)
		}
		if t.Failed() {
			return
		}
	}
	t.Logf("%d kills, %d entries", kills, last["feel"]+1)
}

// abandon lets a store go without its stop being a proper one.
func abandon(s *Store) {
	close(s.done)
	s.stop()
	s.wg.Wait()
	s.dbmu.Lock()
	s.closed = true
	s.db.Close()
	s.closeJournal()
	s.unlock()
	s.dbmu.Unlock()
}

// small mounts a tmpfs of the size, or skips.
func small(t *testing.T, size string) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skip("cannot mount a small file system here (needs root):", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	return dir
}

// A card that takes nothing and has room, as a worn one, is not called full: to
// make room would mend nothing.
func TestWornCardIsNotFull(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	for _, x := range []struct {
		free int64
		want string
	}{{roomy + 1, "though it has room"}, {fullBelow, "is full"}} {
		s.mu.Lock()
		s.failing, s.disk.free = fmt.Errorf("%w (disk I/O error)", ErrDiskFull), x.free
		s.mu.Unlock()
		if st := s.Stats(); !st.DiskFull || st.Refuses != (x.free > roomy) || !strings.Contains(s.Trouble(), x.want) {
			t.Errorf("%d bytes free: %+v, %q", x.free, st, s.Trouble())
		}
	}
	s.mu.Lock()
	s.failing = nil
	s.mu.Unlock()
}

// A full disk: durable calls say so, readings wait in memory and are written
// when there is room again.
func TestDiskFull(t *testing.T) {
	dir := small(t, "3m")
	s := open(t, dir, Options{})
	ctx := t.Context()
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 8<<20), 0o600); err == nil {
		t.Fatal("the disk is not full")
	}
	var failed error
	entered := 0
	body := fmt.Appendf(nil, `{"coat":"coat-1","state":"wet","note":%q}`, strings.Repeat("x", 2000))
	for range 2000 {
		if _, _, failed = s.CreateWork(ctx, "feel", "", body, "bench", day, ""); failed != nil {
			break
		}
		entered++
	}
	if !errors.Is(failed, ErrDiskFull) {
		t.Fatalf("work on a full disk: %v, want %v", failed, ErrDiskFull)
	}
	var want []sensors.Reading
	for i := range 500 {
		r := reading("panel-1", day.Add(time.Duration(i)*10*time.Second), float64(i)/16)
		want = append(want, Quantise(r))
		if s.Append([]sensors.Reading{r}) != 1 {
			t.Fatal("a reading was refused")
		}
	}
	if err := s.Flush(ctx); !errors.Is(err, ErrDiskFull) {
		t.Fatalf("flush on a full disk: %v", err)
	}
	st := s.Stats()
	if !st.DiskFull || st.Pending != 500 || !strings.Contains(s.Trouble(), "full") {
		t.Errorf("not said: %+v, %q", st, s.Trouble())
	}
	if got := collect(t, s, "panel-1", time.Time{}, time.Time{}); len(got) != 500 {
		t.Errorf("%d readings while the disk is full, want 500", len(got))
	}
	if n := len(s.Records("feel")); n != entered {
		t.Errorf("%d entries, %d were taken", n, entered)
	}
	must(t, os.Remove(ballast))
	if err := s.Flush(ctx); err != nil {
		t.Fatalf("room again: %v", err)
	}
	if tr := s.Trouble(); tr != "" {
		t.Errorf("still in trouble: %s", tr)
	}
	must(t, s.Close())
	s = open(t, dir, Options{})
	got := collect(t, s, "panel-1", time.Time{}, time.Time{})
	if len(got) != len(want) || got[0] != want[0] || got[499] != want[499] {
		t.Errorf("%d readings after the disk was full, want %d", len(got), len(want))
	}
	if n := len(s.Records("feel")); n != entered {
		t.Errorf("%d entries after restart, %d were taken", n, entered)
	}
}

// The memory that readings wait in has a bound, and what it costs is counted.
func TestRing(t *testing.T) {
	s := open(t, t.TempDir(), Options{Ring: 80})
	s.dbmu.Lock() // the disk does not answer
	for i := range 1000 {
		s.Append([]sensors.Reading{reading("panel-1", day.Add(time.Duration(i)*time.Second), 20)})
	}
	s.dbmu.Unlock()
	st := s.Stats()
	if st.Pending > 80 || st.Dropped+uint64(st.Pending) != 1000 {
		t.Errorf("pending %d, dropped %d of 1000 with room for 80", st.Pending, st.Dropped)
	}
	must(t, s.Flush(t.Context()))
	got := collect(t, s, "panel-1", time.Time{}, time.Time{})
	if len(got) != st.Pending || !got[len(got)-1].At.Equal(day.Add(999*time.Second)) {
		t.Errorf("kept %d readings, want the newest %d", len(got), st.Pending)
	}
	if !strings.Contains(s.Trouble(), "lost") {
		t.Errorf("not said: %q", s.Trouble())
	}
}

// A limit on file size stops the log in the middle of a commit.
func TestFileSizeLimit(t *testing.T) {
	if os.Getenv("HISTORY_TEST_LIMIT") == "" {
		cmd := again("-test.run", "^TestFileSizeLimit$", "-test.v")
		cmd.Env = append(os.Environ(), "HISTORY_TEST_LIMIT=1")
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return
	}
	dir := t.TempDir()
	s := open(t, dir, Options{})
	var was syscall.Rlimit
	must(t, syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was))
	lim := was
	lim.Cur = 300_000
	must(t, syscall.Setrlimit(syscall.RLIMIT_FSIZE, &lim))
	var err error
	n := 0
	for ; n < 5000; n++ {
		if _, _, err = s.CreateWork(t.Context(), "feel", "", []byte(`{"coat":"c","note":"`+strings.Repeat("y", 500)+`"}`), "", day, ""); err != nil {
			break
		}
	}
	if !errors.Is(err, ErrDiskFull) {
		t.Fatalf("err = %v after %d", err, n)
	}
	must(t, syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was))
	if _, _, err := s.CreateWork(t.Context(), "feel", "", []byte(`{"coat":"c"}`), "", day, ""); err != nil {
		t.Fatalf("limit lifted: %v", err)
	}
	s.Close()
	s = open(t, dir, Options{})
	if got := len(s.Records("feel")); got != n+1 {
		t.Errorf("%d entries, %d were promised", got, n+1)
	}
	if s.Trouble() != "" {
		t.Error(s.Trouble())
	}
}

// A card that cannot be written: what is on it is read, readings wait, and
// work is refused aloud; when it can be written again the store goes on.
func TestReadOnlyCard(t *testing.T) {
	dir := small(t, "8m")
	s := open(t, dir, Options{})
	ctx := t.Context()
	s.Append([]sensors.Reading{reading("panel-1", day, 15)})
	if _, _, err := s.CreateWork(ctx, "coat", "", []byte(`{"panel":"lid-outer"}`), "bench", day, ""); err != nil {
		t.Fatal(err)
	}
	must(t, s.Flush(ctx))
	abandon(s)
	if err := syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT|syscall.MS_RDONLY, "size=8m"); err != nil {
		t.Skip("cannot remount:", err)
	}
	s = open(t, dir, at(day.Add(time.Hour)))
	if got := collect(t, s, "panel-1", time.Time{}, time.Time{}); len(got) != 1 {
		t.Errorf("%d readings on a read-only card, want 1", len(got))
	}
	w, err := s.Work(ctx)
	if err != nil || len(w.Coats) != 1 {
		t.Errorf("work on a read-only card: %+v, %v", w, err)
	}
	if _, _, err := s.CreateWork(ctx, "coat", "", []byte(`{"panel":"lid-outer"}`), "bench", day, ""); !errors.Is(err, ErrReadOnly) {
		t.Errorf("work on a read-only card: %v, want %v", err, ErrReadOnly)
	}
	s.Append([]sensors.Reading{reading("panel-1", day.Add(time.Minute), 16), reading("new", day, 3)})
	if !s.Stats().ReadOnly || !strings.Contains(s.Trouble(), "cannot be written") {
		t.Errorf("not said: %q", s.Trouble())
	}
	must(t, syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT, "size=8m"))
	if err := s.Flush(ctx); err != nil {
		t.Fatalf("card can be written again: %v", err)
	}
	if _, _, err := s.CreateWork(ctx, "coat", "", []byte(`{"panel":"lid-inner"}`), "bench", day, ""); err != nil {
		t.Fatal(err)
	}
	if tr := s.Trouble(); tr != "" {
		t.Errorf("still in trouble: %s", tr)
	}
	must(t, s.Close())
	s = open(t, dir, at(day.Add(time.Hour)))
	if a, b := len(collect(t, s, "panel-1", time.Time{}, time.Time{})), len(collect(t, s, "new", time.Time{}, time.Time{})); a != 2 || b != 1 {
		t.Errorf("%d and %d readings after restart, want 2 and 1", a, b)
	}
	if w, err := s.Work(ctx); err != nil || len(w.Coats) != 2 {
		t.Errorf("work after restart: %+v, %v", w, err)
	}
}

// Damage that appears while the store is open: readings of a damaged hour are
// absent, the rest is there, and it is said.
func TestDamageWhileRunning(t *testing.T) {
	s := open(t, t.TempDir(), at(day.Add(24*time.Hour)))
	for i := range 3 * 60 {
		s.Append([]sensors.Reading{reading("panel-1", day.Truncate(time.Hour).Add(time.Duration(i)*time.Minute), float64(i)/16)})
	}
	must(t, s.Compact(t.Context()))
	if _, err := s.db.Exec("UPDATE packs SET body = substr(body, 1, length(body)-1) || x'55' WHERE id = (SELECT min(id) FROM packs)"); err != nil {
		t.Fatal(err)
	}
	// The hours that are kept in memory too are not asked of the file.
	if got := collect(t, s, "panel-1", time.Time{}, time.Time{}); len(got) != 180 {
		t.Errorf("%d readings from memory, want all 180", len(got))
	}
	s.recent = recentHours{}
	if got := collect(t, s, "panel-1", time.Time{}, time.Time{}); len(got) != 120 {
		t.Errorf("%d readings, want the 120 of the two good hours", len(got))
	}
	if s.Trouble() == "" || s.Stats().SetAside != 1 {
		t.Errorf("not said: %q, %d set aside", s.Trouble(), s.Stats().SetAside)
	}
	b, err := os.ReadFile(filepath.Join(s.dir, "quarantine", "rows.jsonl"))
	var row struct{ Table string }
	if err != nil || json.Unmarshal(b, &row) != nil || row.Table != "packs" {
		t.Errorf("quarantine: %s, %v", b, err)
	}
	// SQLite's own structure damaged under it: the store rebuilds and goes on.
	if _, err := s.db.Exec("PRAGMA writable_schema = ON; UPDATE sqlite_schema SET rootpage = (SELECT rootpage FROM sqlite_schema WHERE name = 'packs') WHERE name = 'tail'; PRAGMA writable_schema = RESET"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.CreateWork(t.Context(), "piece", "", []byte(`{"name":"lid"}`), "bench", day, ""); err != nil {
		t.Fatal(err)
	}
	abandon(s)
	s = open(t, s.dir, at(day.Add(24*time.Hour)))
	if got := collect(t, s, "panel-1", time.Time{}, time.Time{}); len(got) != 120 {
		t.Errorf("%d readings after rebuilding, want 120", len(got))
	}
	if w, err := s.Work(t.Context()); err != nil || len(w.Pieces) != 1 {
		t.Errorf("work after rebuilding: %+v, %v", w, err)
	}
}

// A first start on a full disk still starts, says so, and begins to write
// when there is room.
func TestFirstStartOnFullDisk(t *testing.T) {
	dir := small(t, "200k")
	ballast := filepath.Join(dir, "ballast")
	os.WriteFile(ballast, make([]byte, 1<<20), 0o600) // as far as it goes
	s := open(t, filepath.Join(dir), Options{})
	s.Append([]sensors.Reading{reading("a", day, 1)})
	if err := s.Flush(t.Context()); !errors.Is(err, ErrDiskFull) {
		t.Errorf("flush: %v, want %v", err, ErrDiskFull)
	}
	if _, _, err := s.CreateWork(t.Context(), "piece", "", []byte(`{}`), "", day, ""); !errors.Is(err, ErrDiskFull) {
		t.Errorf("work: %v, want %v", err, ErrDiskFull)
	}
	if s.Trouble() == "" {
		t.Error("not said")
	}
	must(t, os.Remove(ballast))
	must(t, s.Flush(t.Context()))
	if _, _, err := s.CreateWork(t.Context(), "piece", "", []byte(`{}`), "", day, ""); err != nil {
		t.Fatal(err)
	}
	must(t, s.Close())
	s = open(t, dir, Options{})
	if len(collect(t, s, "a", time.Time{}, time.Time{})) != 1 || len(s.Records("piece")) != 1 {
		t.Error("what was taken is not there after a restart")
	}
}

// Woken all the time, as by a page that enters one thing after the other, the
// store still flushes when it is due.
func TestFlushesWhileWoken(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s, err := Open(dir, Options{Uptime: func() time.Duration { return time.Hour }, Boot: "b"})
		must(t, err)
		defer s.Close()
		s.Append([]sensors.Reading{reading("a", time.Now(), 1)})
		for range 1000 {
			s.SetUrgent(true)
			time.Sleep(10 * time.Millisecond)
		}
		if st := s.Stats(); st.Written != 1 {
			t.Errorf("after ten seconds of it: %+v", st)
		}
	})
}

// What was removed has used up its revision: a value that is put after a power
// cut is newer than its removal before it, and stays.
func TestRevisionsOutliveRemoval(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, at(day))
	for _, k := range []string{"a", "b", "c"} {
		must(t, s.PutKV(t.Context(), "setting", k, []byte(`1`)))
	}
	for _, k := range []string{"a", "b", "c"} {
		must(t, s.DeleteKV(t.Context(), "setting", k))
	}
	abandon(s)
	s = open(t, dir, at(day))
	must(t, s.PutKV(t.Context(), "setting", "c", []byte(`2`)))
	abandon(s)
	s = open(t, dir, at(day))
	if v, ok := s.KV("setting", "c"); !ok || string(v) != "2" {
		t.Errorf("%q, %v after a restart; want 2", v, ok)
	}
}
