package crash

import (
	"path/filepath"
	"testing"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// TestFailedStore: what could not be recorded is on record after the next
// start, once, and the unit on hold.
func TestFailedStore(t *testing.T) {
	folder := t.TempDir()
	if f, err := ReadFailedStore(folder); f != nil || err != nil {
		t.Fatalf("%v, %v", f, err)
	}
	if err := store.Create(filepath.Join(folder, "store"), store.Options{Station: "S1"}); err != nil {
		t.Fatal(err)
	}
	if err := NoteFailedStore(folder, "H54-00001-O", "disk full", time.Now()); err != nil {
		t.Fatal(err)
	}
	f, err := ReadFailedStore(folder)
	if err != nil || f.Unit != "H54-00001-O" || f.Why != "disk full" {
		t.Fatalf("%+v, %v", f, err)
	}
	s, err := store.Open(filepath.Join(folder, "store"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := f.Close(s, folder, "p1"); err != nil {
		t.Fatal(err)
	}
	all, err := s.BySerial("H54-00001-O")
	if err != nil || len(all) != 1 {
		t.Fatalf("%d records, %v", len(all), err)
	}
	if c, ok := all[0].Body.(*record.DispositionChange); !ok || c.To != record.Hold || c.Code != string(station.StopStore) || c.Other == nil {
		t.Errorf("on record: %+v", all[0].Body)
	}
	if f, err := ReadFailedStore(folder); f != nil || err != nil {
		t.Errorf("the note stays: %v, %v", f, err)
	}
}
