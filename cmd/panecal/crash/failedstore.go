package crash

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"example.org/panecal/limits/guard"
	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// FailedStore says that a record of a unit could not be written. The log itself
// cannot say so; a file beside it does, until a start has proved the log whole.
type FailedStore struct {
	Schema string    `json:"schema"`
	Unit   string    `json:"unit"` // serial or label, or the nest where neither is known
	Why    string    `json:"why"`
	Time   time.Time `json:"time"`
}

const failedStoreSchema = "panecal.store_failed/1"

func failedStorePath(folder string) string {
	return filepath.Join(folder, "store-failed.json")
}

// NoteFailedStore leaves the file in a station's folder. It is small: a disk
// that is full of records has room for it.
func NoteFailedStore(folder, unit, why string, at time.Time) error {
	b, err := json.MarshalIndent(FailedStore{failedStoreSchema, unit, why, at.UTC()}, "", " ")
	if err != nil {
		return fmt.Errorf("noting a failed store: %w", err)
	}
	if err := os.WriteFile(failedStorePath(folder), append(b, '\n'), 0o640); err != nil {
		return fmt.Errorf("noting a failed store: %w", err)
	}
	return nil
}

// ReadFailedStore reads the file in a station's folder; nil where there is
// none.
func ReadFailedStore(folder string) (*FailedStore, error) {
	b, err := guard.ReadFile(failedStorePath(folder))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("looking for a failed store: %w", err)
	}
	f := &FailedStore{}
	if err := json.Unmarshal(b, f); err != nil || f.Schema != failedStoreSchema {
		f.Why = "the note of it cannot be read" // it is one all the same
	}
	return f, nil
}

// Close puts on record, in a log that was proved whole, that the store had
// failed, that its unit is on hold, and that the stop has ended; then the file
// goes.
func (f *FailedStore) Close(s *store.Store, folder, by string) error {
	ref, err := s.Append(&record.Stop{Code: string(station.StopStore), Why: f.Why, LiftBy: string(station.StopStore.Meaning().Lift), Detail: f.Why})
	if err == nil && f.Unit != "" {
		_, err = s.Append(&record.DispositionChange{Serial: f.Unit, To: record.Hold, Code: string(station.StopStore), Why: f.Why, By: "station", Other: &ref})
	}
	if err == nil {
		_, err = s.Append(&record.StopLifted{Stop: ref, Code: string(station.StopStore), By: by, Method: "log check", Why: "the log was checked, and is whole"})
	}
	if err != nil {
		return fmt.Errorf("closing a failed store: %w", err)
	}
	if err := os.Remove(failedStorePath(folder)); err != nil {
		return fmt.Errorf("closing a failed store: %w", err)
	}
	return nil
}
