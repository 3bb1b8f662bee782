package store_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// exploding is a disk one of whose calls, and no later one, is a planted bug.
type exploding struct{ failing }

func (d *exploding) boom() {
	if d.fails() != nil {
		panic("a planted bug")
	}
}

func (d *exploding) wrap(f store.File, err error) (store.File, error) {
	if err != nil {
		return nil, err
	}
	return &explodingFile{f, d}, nil
}

func (d *exploding) Create(path string) (store.File, error) {
	d.boom()
	return d.wrap(d.Disk.Create(path))
}

func (d *exploding) Rename(from, to string) error { d.boom(); return d.Disk.Rename(from, to) }
func (d *exploding) SyncDir(dir string) error     { d.boom(); return d.Disk.SyncDir(dir) }
func (d *exploding) Update(path string) (store.File, error) {
	return d.wrap(d.Disk.Update(path))
}
func (d *exploding) Open(path string) (store.File, error) { return d.Disk.Open(path) }
func (d *exploding) List(dir string) ([]string, error)    { return d.Disk.List(dir) }
func (d *exploding) Linked(path string, f store.File) error {
	if e, ok := f.(*explodingFile); ok {
		f = e.File
	}
	return d.Disk.Linked(path, f)
}

type explodingFile struct {
	store.File
	d *exploding
}

func (f *explodingFile) WriteAt(b []byte, off int64) (int, error) {
	f.d.boom()
	n, err := f.File.WriteAt(b, off)
	f.d.boom() // after the bytes are there, too
	return n, err
}

func (f *explodingFile) Sync() error { f.d.boom(); err := f.File.Sync(); f.d.boom(); return err }

// TestWorkerTakesPanicsIn: a panic in the goroutines that own the files is an
// error of whoever asked. What was acknowledged is there, and after a panic in
// the middle of a record nothing more is written, because nobody knows how
// far it came.
func TestWorkerTakesPanicsIn(t *testing.T) {
	stopped := 0
	for at := 1; ; at++ {
		dir := create(t)
		d := &exploding{failing{Disk: store.OSDisk(), err: errors.New("boom")}}
		told := 0
		s, err := store.Open(dir, store.Options{Now: clock(), Panicked: func(what any, stack []byte) {
			if told++; what != "a planted bug" || !strings.Contains(string(stack), "boom") {
				t.Errorf("call %d: told of %v\n%s", at, what, stack)
			}
		}}.On(d))
		if err != nil {
			t.Fatal(err)
		}
		d.arm(at)
		var acked []record.Ref
		unknown := 0
		for i := range 4 {
			_, cerr := s.AppendCapture(record.Capture{Name: "empty", Counts: record.Counts{uint32(i)}})
			ref, err := s.Append(note("A", fmt.Sprint(i)))
			for _, err := range []error{err, cerr} {
				if err != nil && !errors.Is(err, store.ErrUnknown) {
					t.Errorf("call %d: %v", at, err)
				}
			}
			switch {
			case err == nil && unknown > 0:
				t.Errorf("call %d: written after a panic", at)
			case err == nil:
				acked = append(acked, ref)
			default:
				unknown++
			}
		}
		_, failed := d.count()
		d.arm(0)
		if unknown > 0 {
			stopped++
		}
		if told > 1 || unknown > 0 && told == 0 {
			t.Errorf("call %d: told %d times", at, told)
		}
		_ = s.Close() // may say what is wrong
		s = open(t, dir)
		list, err := s.BySerial("A")
		if err != nil || len(list) < len(acked) || len(list) > len(acked)+min(unknown, 1) {
			t.Fatalf("call %d: %d records, %d acknowledged, %d unknown, %v", at, len(list), len(acked), unknown, err)
		}
		for i, ref := range acked {
			if list[i].Ref != ref {
				t.Errorf("call %d: record %v was acknowledged as %v", at, list[i].Ref, ref)
			}
		}
		if _, err := s.Append(note("A", "end")); err != nil {
			t.Errorf("call %d: after the next start: %v", at, err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		if r := check(t, dir); len(r.Problems) > 0 {
			t.Errorf("call %d: %v", at, r.Problems)
		}
		if failed == 0 {
			t.Logf("clean at call %d; %d panics stopped the log", at, stopped)
			if stopped < 5 {
				t.Errorf("only %d panics stopped the log", stopped)
			}
			return
		}
	}
}
