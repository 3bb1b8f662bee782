package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// files returns the content of all files of dir.
func files(t testing.TB, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for path, f := range load(t, dir).files {
		out[filepath.Base(path)] = f.data
	}
	return out
}

// lay makes dir hold exactly these files.
func lay(t testing.TB, dir string, content map[string][]byte) {
	t.Helper()
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	for name, b := range content {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o640); err != nil {
			t.Fatal(err)
		}
	}
}

// A process that dies leaves a last segment that ends at any byte, and derived
// files from before. Whatever was acknowledged before is there, the store
// opens and takes records again, and a check has nothing to report.
func TestKilledAtAnyByte(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	for i := range 2 {
		if _, err := s.Append(note("A", fmt.Sprint(i))); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before := files(t, dir)
	s = open(t, dir)
	if _, err := s.AppendCapture(record.Capture{Name: "empty", Counts: record.Counts{1}}); err != nil {
		t.Fatal(err)
	}
	for _, b := range []record.Body{note("A", "2"), attempt("B", 1)} {
		if _, err := s.Append(b); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	after := files(t, dir)
	header := int(frameEnd(t, after["journal-00000003.seg"], 8))
	last := after["journal-00000003.seg"]
	work := filepath.Join(t.TempDir(), "log")
	states := 0
	for n := header; n <= len(last); n += stride(37) {
		state := map[string][]byte{}
		for name, b := range before {
			state[name] = b
		}
		state["capture-00000001.seg"] = after["capture-00000001.seg"]
		state["journal-00000003.seg"] = last[:n]
		lay(t, work, state)
		s, err := store.Open(work, store.Options{Now: clock()})
		if err != nil {
			t.Fatalf("cut at %d: %v", n, err)
		}
		list, err := s.BySerial("A")
		if err != nil || !strings.HasPrefix(texts(list), "0 1 ") {
			t.Fatalf("cut at %d: %q, %v", n, texts(list), err)
		}
		if n == len(last) && texts(list) != "0 1 2 " {
			t.Errorf("a whole record was not taken: %q", texts(list))
		}
		if _, err := s.Append(note("A", "9")); err != nil {
			t.Fatalf("cut at %d: %v", n, err)
		}
		if err := s.Close(); err != nil {
			t.Fatalf("cut at %d: %v", n, err)
		}
		if r := check(t, work); len(r.Problems) > 0 {
			t.Fatalf("cut at %d: %v", n, r.Problems)
		}
		states++
	}
	t.Logf("%d states", states)
	// Cut before what the head file promises is damage, and is refused.
	for n := 0; n < len(last); n += stride(97) {
		after["journal-00000003.seg"] = last[:n]
		lay(t, work, after)
		if s, err := store.Open(work, store.Options{}); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("cut at %d: opened with %v", n, err)
			if err == nil {
				s.Close()
			}
		}
		if r := check(t, work); len(r.Problems) == 0 {
			t.Errorf("cut at %d: nothing reported", n)
		}
	}
}

// frameEnd returns where the frame at offset ends.
func frameEnd(t testing.TB, b []byte, offset int) int64 {
	t.Helper()
	n := int(b[offset]) | int(b[offset+1])<<8 | int(b[offset+2])<<16
	return int64(offset + 12 + n)
}

// Each call to the disk fails in turn, once or for ever, until a run is clean.
// What was acknowledged is there afterwards, once and whole; nothing else is,
// but what was said to be unknown.
func TestEveryDiskCallFailsInTurn(t *testing.T) {
	for _, always := range []bool{false, true} {
		for _, cause := range []error{syscall.ENOSPC, syscall.EIO, syscall.EROFS} {
			t.Run(fmt.Sprintf("%v always %v", cause, always), func(t *testing.T) {
				t.Parallel()
				at := 1
				for ; ; at++ {
					if at > 500 {
						t.Fatal("no clean run")
					}
					if !runWithFailure(t, at, always, cause) {
						break
					}
				}
				t.Logf("clean at call %d", at)
				if at < 10 {
					t.Errorf("only %d calls were made", at)
				}
			})
		}
	}
}

// runWithFailure runs a store of which one call fails and says whether any did.
func runWithFailure(t *testing.T, at int, always bool, cause error) bool {
	t.Helper()
	dir := create(t)
	d := &failing{Disk: store.OSDisk(), always: always, err: cause}
	s, err := store.Open(dir, store.Options{Now: clock()}.On(d))
	if err != nil {
		t.Fatal(err)
	}
	d.arm(at)
	var acked []record.Ref
	var captures []record.CaptureRef
	unknown := ""
	for i := range 4 {
		if ref, err := s.AppendCapture(record.Capture{Name: "empty", Counts: record.Counts{uint32(i)}}); err == nil {
			captures = append(captures, ref)
		} else if !errors.Is(err, cause) {
			t.Errorf("call %d: %v hides its cause", at, err)
		}
		ref, err := s.Append(note("A", fmt.Sprint(i)))
		switch {
		case err == nil:
			acked = append(acked, ref)
		case !errors.Is(err, cause):
			t.Errorf("call %d: %v hides its cause", at, err)
		case errors.Is(err, store.ErrUnknown):
			unknown = fmt.Sprint(i)
		}
	}
	_, failed := d.count()
	d.arm(0)
	if unknown != "" {
		// The same body again settles it, without a second record.
		ref, err := s.Append(note("A", unknown))
		if err != nil {
			t.Errorf("call %d: settling: %v", at, err)
		}
		acked = append(acked, ref)
	}
	ref, err := s.Append(note("A", "end"))
	if err != nil {
		t.Fatalf("call %d: after the failure: %v", at, err)
	}
	acked = append(acked, ref)
	if err := s.Close(); err != nil {
		t.Errorf("call %d: closing: %v", at, err)
	}
	s, err = store.Open(dir, store.Options{Now: clock()})
	if err != nil {
		t.Fatalf("call %d: %v", at, err)
	}
	list, err := s.BySerial("A")
	if err != nil {
		t.Fatalf("call %d: %v", at, err)
	}
	seen := map[string]int{}
	for i, e := range list {
		seen[e.Body.(*record.Note).Text]++
		if i >= len(acked) || e.Ref != acked[i] {
			t.Errorf("call %d: record %v was not acknowledged so; acknowledged %v", at, e.Ref, acked)
		}
	}
	if len(list) != len(acked) {
		t.Errorf("call %d: %d records, %d acknowledged", at, len(list), len(acked))
	}
	for text, n := range seen {
		if n != 1 {
			t.Errorf("call %d: %q stands there %d times", at, text, n)
		}
	}
	for _, ref := range captures {
		if _, err := s.Capture(ref); err != nil {
			t.Errorf("call %d: %v", at, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Errorf("call %d: %v", at, err)
	}
	if r := check(t, dir); len(r.Problems) > 0 {
		t.Errorf("call %d: %v", at, r.Problems)
	}
	return failed > 0
}

// Each call of a whole start fails in turn, those that read too: the store
// opens, or says that the disk fails, and never that the log is damaged. What
// is acknowledged meanwhile is there when the disk is well again.
func TestEveryCallOfAStartFailsInTurn(t *testing.T) {
	for _, always := range []bool{false, true} {
		t.Run(fmt.Sprintf("always %v", always), func(t *testing.T) {
			dir := smallLog(t)
			acked := 8
			for at := 1; ; at += stride(3) {
				d := &failing{Disk: store.OSDisk(), reads: true, always: always, err: syscall.EIO}
				d.arm(at)
				s, err := store.Open(dir, store.Options{Now: clock()}.On(d))
				if err == nil {
					_, err = s.Append(note("A", "more"))
					if err == nil {
						acked++
					}
					if cerr := s.Close(); cerr != nil && !errors.Is(cerr, syscall.EIO) {
						t.Errorf("call %d: closing: %v", at, cerr)
					}
				}
				_, failed := d.count()
				if err != nil && (!errors.Is(err, syscall.EIO) || errors.Is(err, store.ErrDamaged)) {
					t.Errorf("call %d: %v", at, err)
				}
				unknown := errors.Is(err, store.ErrUnknown)
				r := check(t, dir)
				if len(r.Problems) > 0 || int(r.Records) != acked && !(unknown && int(r.Records) == acked+1) {
					t.Fatalf("call %d: %d records, %d acknowledged, %v", at, r.Records, acked, r.Problems)
				}
				acked = int(r.Records)
				if failed == 0 {
					t.Logf("clean at call %d", at)
					return
				}
				if at > 1000 {
					t.Fatal("no clean run")
				}
			}
		})
	}
}

// A store whose creation failed is not there.
func TestCreateIsWholeOrNothing(t *testing.T) {
	for at := 1; ; at++ {
		dir := filepath.Join(t.TempDir(), "log")
		d := &failing{Disk: store.OSDisk(), err: syscall.ENOSPC}
		d.arm(at)
		err := store.Create(dir, store.Options{Station: "pane-1"}.On(d))
		if _, failed := d.count(); failed == 0 {
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("clean at call %d", at)
			return
		}
		if err == nil {
			t.Fatalf("call %d failed and was not told", at)
		}
		if _, err := store.Open(dir, store.Options{}); err != nil && !errors.Is(err, store.ErrNoStore) {
			t.Errorf("call %d: %v", at, err)
		}
	}
}

// A store whose files are deleted or replaced under the writer takes no more
// records: what it writes there, nobody will find.
func TestFilesDeletedUnderTheWriterStopIt(t *testing.T) {
	away := func(name string) func(*testing.T, string) {
		return func(t *testing.T, dir string) {
			if err := os.Rename(filepath.Join(dir, name), filepath.Join(dir, "away")); err != nil {
				t.Skipf("not possible here: %v", err)
			}
		}
	}
	cases := map[string]struct {
		change  func(t *testing.T, dir string)
		unknown bool // the record was written, to where nobody finds it
		goesOn  bool // what is derived is made anew
	}{
		"segment deleted": {away("journal-00000002.seg"), true, false},
		"segment replaced": {func(t *testing.T, dir string) {
			away("journal-00000002.seg")(t, dir)
			if err := store.OSDisk().Rename(filepath.Join(dir, "journal-00000001.seg"), filepath.Join(dir, "journal-00000002.seg")); err != nil {
				t.Fatal(err)
			}
		}, true, false},
		"lock deleted": {away("lock"), false, false},
		"whole folder moved": {func(t *testing.T, dir string) {
			if err := os.Rename(dir, dir+"-away"); err != nil {
				t.Skipf("not possible here: %v", err)
			}
		}, false, false},
		"head file deleted": {away("head"), false, true},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			dir := create(t)
			s, err := store.Open(dir, store.Options{Now: clock()})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := s.Append(attempt("A", 1)); err != nil {
				t.Fatal(err)
			}
			if err := s.Settle(); err != nil {
				t.Fatal(err)
			}
			c.change(t, dir)
			for i := range 2 {
				_, err = s.Append(attempt("A", 2+i))
				if c.goesOn {
					if err != nil {
						t.Fatal(err)
					}
				} else if !errors.Is(err, store.ErrDamaged) || i == 0 && errors.Is(err, store.ErrUnknown) != c.unknown {
					t.Errorf("append %d: %v", i+1, err)
				}
			}
			if !c.goesOn {
				_ = s.Close() // says what is missing
				return
			}
			list, err := s.BySerial("A")
			if err != nil || len(list) != 3 {
				t.Errorf("%d records, %v", len(list), err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if r := check(t, dir); len(r.Problems) > 0 {
				t.Error(r.Problems)
			}
		})
	}
}

// When an append or a capture is acknowledged, its segment and the directory
// entry of the segment are synced; when a capture's record is acknowledged, so
// is the capture.
func TestWhatIsAcknowledgedIsSynced(t *testing.T) {
	dir := create(t)
	d := &watchful{Disk: store.OSDisk(), dirty: map[string]bool{}}
	s, err := store.Open(dir, store.Options{}.On(d))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for i := range 5 {
		ref, err := s.AppendCapture(record.Capture{Name: "empty", Counts: record.Counts{1}})
		if err != nil {
			t.Fatal(err)
		}
		if left := d.unsynced(dir, "capture-"); len(left) > 0 {
			t.Fatalf("capture %d: unsynced %v", i, left)
		}
		a := attempt("A", 1)
		a.Captures = []record.CaptureRef{ref}
		if _, err := s.Append(a); err != nil {
			t.Fatal(err)
		}
		if left := d.unsynced(dir, "journal-"); len(left) > 0 {
			t.Fatalf("record %d: unsynced %v", i, left)
		}
	}
}

// A file of the index that is damaged gives no answer: that comes from the
// segments. The station makes the file anew and says so, a reader leaves it alone.
func TestDamagedIndexIsMadeAnew(t *testing.T) {
	dir := smallLog(t)
	path := filepath.Join(dir, "journal-00000002.index")
	whole := of(t, path)
	for page := range len(whole) / 4096 {
		bad := flipped(whole, page*4096+20)
		if err := os.WriteFile(path, bad, 0o640); err != nil {
			t.Fatal(err)
		}
		if r := check(t, dir); len(r.Problems) != 1 || r.Problems[0].File != filepath.Base(path) {
			t.Errorf("page %d: check: %v", page, r.Problems)
		}
		cache := t.TempDir()
		for range 2 { // the second from what the first has kept
			f := follow(t, dir, cache)
			if list, err := f.BySerial("A"); err != nil || texts(list) != "one two one two " {
				t.Errorf("page %d: %q, %v", page, texts(list), err)
			}
			if err := f.Between(time.Time{}, time.Now(), func(record.Entry) error { return nil }); err != nil {
				t.Errorf("page %d: %v", page, err)
			}
			if list, err := f.ByLot("L1"); err != nil || len(list) != 2 {
				t.Errorf("page %d: %d of a lot, %v", page, len(list), err)
			}
		}
		if !bytes.Equal(of(t, path), bad) {
			t.Fatal("a reader wrote to the station's file")
		}
		s := open(t, dir)
		if list, err := s.BySerial("A"); err != nil || texts(list) != "one two one two " {
			t.Errorf("page %d: %q, %v", page, texts(list), err)
		}
		if err := s.Between(time.Time{}, time.Now(), func(record.Entry) error { return nil }); err != nil {
			t.Errorf("page %d: %v", page, err)
		}
		if told, err := s.Remade(); err != nil || len(told) != 1 {
			t.Errorf("page %d: told %v, %v", page, told, err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(of(t, path), whole) {
			t.Errorf("page %d: not made anew as it was", page)
		}
	}
}

// The index of the segment that is written is replaced from time to time. A disk
// that mixed pages of two of its times is found out by each page, whose check says
// of which time it is.
func TestIndexOfTwoTimes(t *testing.T) {
	dir := create(t)
	path := filepath.Join(dir, "journal-00000002.index")
	s := open(t, dir)
	var times [][]byte
	for i := range 2 {
		large := note("A", fmt.Sprint(i))
		large.Signed = noise(uint64(i), 600<<10)
		if _, err := s.Append(large); err != nil {
			t.Fatal(err)
		}
		if err := s.Settle(); err != nil {
			t.Fatal(err)
		}
		times = append(times, of(t, path))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	const page = 4096
	old, now := times[0], times[1]
	if len(old) != len(now) || bytes.Equal(old, now) {
		t.Fatalf("%d and %d bytes", len(old), len(now))
	}
	for mix := range 1 << (len(now) / page) { // the old one whole is among them: it is true of its time
		data := bytes.Clone(now)
		for p := range len(now) / page {
			if mix&(1<<p) != 0 {
				copy(data[p*page:], old[p*page:(p+1)*page])
			}
		}
		if err := os.WriteFile(path, data, 0o640); err != nil {
			t.Fatal(err)
		}
		s := open(t, dir)
		for _, r := range []*store.Reader{&follow(t, dir, "").Reader, &s.Reader} {
			if list, err := r.BySerial("A"); err != nil || texts(list) != "0 1 " {
				t.Errorf("mixture %b: %s, %v", mix, texts(list), err)
			}
			n := 0
			if err := r.Between(time.Time{}, time.Now(), func(record.Entry) error { n++; return nil }); err != nil || n != 2 {
				t.Errorf("mixture %b: %d in the order of time, %v", mix, n, err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A log that a later program has written to is followed and not written.
func TestLaterProgramsLogIsReadOnly(t *testing.T) {
	dir := create(t)
	s := open(t, dir)
	ref, err := s.Append(note("A", "0"))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	later, _, err := record.Encode(record.Entry{Ref: record.Ref{Station: "pane-1", Generation: 1, Sequence: 2}, Previous: ref.Hash, Body: note("A", "later")})
	if err != nil {
		t.Fatal(err)
	}
	later[2] = record.Version + 1
	path := filepath.Join(dir, "journal-00000002.seg")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, store.AppendFrame(data, later), 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Open(dir, store.Options{}); !errors.Is(err, store.ErrNewer) {
		t.Errorf("opened for writing: %v", err)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if list, err := f.BySerial("A"); err != nil || texts(list) != "0 later " {
		t.Errorf("%q, %v", texts(list), err)
	}
	if head, err := f.Head(); err != nil || head.Sequence != 2 {
		t.Errorf("head %v, %v", head, err)
	}
}
