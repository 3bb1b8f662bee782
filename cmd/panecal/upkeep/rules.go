package upkeep

import (
	"fmt"
	"time"

	"example.org/panecal/limits/strict"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Keys are those of the configuration that say how the log is looked after.
type Keys struct {
	LongestPause   string // that a station may rest
	KeepCaptures   string // how long raw captures are kept
	KeepCapturesMB int64  // how much of them is kept
}

// Rules are what the keys say.
type Rules struct {
	pause, keep time.Duration
	mb          int64
}

// Read checks the keys and reports mistakes to d.
func (k Keys) Read(d *strict.Document) Rules {
	r := Rules{pause: LongestPause, mb: k.KeepCapturesMB}
	span := func(key, text, such string, to *time.Duration) {
		if text == "" {
			return
		}
		v, err := time.ParseDuration(text)
		if err != nil || v <= 0 {
			d.Report(fmt.Sprintf("%q is no time", text), fmt.Sprintf("write a time such as %q", such), key)
			return
		}
		*to = v
	}
	span("longest_pause", k.LongestPause, "720h", &r.pause)
	span("keep_captures", k.KeepCaptures, "8760h", &r.keep)
	if k.KeepCapturesMB < 0 {
		d.Report("a negative size", "write how many megabytes of raw captures are kept", "keep_captures_mb")
	}
	return r
}

// Retention says which raw captures are kept now.
func (r Rules) Retention(now time.Time) store.Retention {
	var keep store.Retention
	if r.keep > 0 {
		keep.Since, keep.Rule = now.Add(-r.keep), fmt.Sprintf("keep_captures = %q", r.keep)
	}
	if r.mb > 0 {
		keep.Bytes = r.mb * 1_000_000
		if keep.Rule != "" {
			keep.Rule += ", "
		}
		keep.Rule += fmt.Sprintf("keep_captures_mb = %d", r.mb)
	}
	return keep
}

// Keeper begins to look after a log by these rules.
func (r Rules) Keeper(o Options) *Keeper {
	o.Clock.Pause, o.Captures = r.pause, r.Retention
	return NewKeeper(o)
}

// newest is how many records a start reads: some weeks of a station. Older stops
// are found by their kind.
const newest = 10_000

// Recent is the newest part of the log, oldest first, with every older stop.
func Recent(s *store.Store) (list []record.Entry, err error) {
	err = s.Newest(newest, []record.Kind{record.KindStop, record.KindStopLifted}, func(e record.Entry) error {
		list = append(list, e)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading the newest records: %w", err)
	}
	return list, nil
}
