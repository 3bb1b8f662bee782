package gate

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/panecal/limits/strict"
	"example.org/panecal/station"
)

// Keys are those of the configuration's table [gate].
type Keys struct {
	Folder string `toml:"folder"` // shared with the line; holds out and in
	Wait   string `toml:"wait"`   // for an answer
	Silent string `toml:"silent"` // what follows where none comes
}

// defaultWait is how long a question waits where the site says nothing.
const defaultWait = 5 * time.Second

// The longest and the shortest wait that make sense to hands at a nest.
const (
	leastWait = 100 * time.Millisecond
	mostWait  = 10 * time.Minute
)

// Check reports mistakes to d.
func (k Keys) Check(d *strict.Document) {
	if k.Folder == "" {
		if k != (Keys{}) {
			d.Report("a gate without a folder", `write folder = "/mnt/line/cal-1", which holds out and in; or take [gate] out`, "gate")
		}
		return
	}
	if _, err := k.wait(); err != nil {
		d.Report(err.Error(), fmt.Sprintf("write a time from %v to %v, such as wait = \"5s\"", leastWait, mostWait), "gate", "wait")
	}
	for _, s := range station.Silences() {
		if k.Silent == string(s) {
			return
		}
	}
	d.Report(fmt.Sprintf("what follows where the line does not answer: %q", k.Silent), `write silent = "wait", "hold" or "start"`, "gate", "silent")
}

func (k Keys) wait() (time.Duration, error) {
	if k.Wait == "" {
		return defaultWait, nil
	}
	v, err := time.ParseDuration(k.Wait)
	if err == nil && (v < leastWait || v > mostWait) || err != nil {
		return 0, fmt.Errorf("%q is no time to wait for an answer", k.Wait)
	}
	return v, nil
}

// Silence is what the site chose.
func (k Keys) Silence() station.Silence { return station.Silence(k.Silent) }

// examineWithin is how long a share may take to say that it is there.
const examineWithin = 2 * time.Second

// Examine says how the gate stands: "ok", "look" or "bad", what is seen, and what
// to do about it; state is "" where the keys name none.
func (k Keys) Examine(base, beside string) (state, text, mend string) {
	if k.Folder == "" {
		return "", "", ""
	}
	n, err := Backlog(beside)
	if err != nil {
		return "bad", err.Error(), "let this account read the folder"
	}
	missing := make(chan error, 1)
	go func() {
		var err error
		for _, name := range []string{"out", "in"} {
			folder := filepath.Join(k.shared(base), name)
			i, e := os.Stat(folder)
			if e == nil && !i.IsDir() {
				e = fmt.Errorf("%s is no folder", folder)
			}
			err = errors.Join(err, e)
		}
		missing <- err
	}()
	select {
	case err := <-missing:
		if err != nil {
			return "bad", err.Error(), "make the folders out and in on the share, and see that it is mounted"
		}
	case <-time.After(examineWithin):
		return "bad", "the share does not answer", "look after " + k.shared(base)
	}
	if n > 0 {
		return "look", fmt.Sprintf("results that wait for the share: %d", n), "they go out when a station runs and the share takes them"
	}
	return "ok", fmt.Sprintf("%s, answers within %v, else %s", k.shared(base), cmp.Or(k.Wait, defaultWait.String()), k.Silent), ""
}

func (k Keys) shared(base string) string {
	if filepath.IsAbs(k.Folder) {
		return k.Folder
	}
	return filepath.Join(base, k.Folder)
}

// Open makes the gate, nil where the keys name none; beside is the folder of the
// station's own disk that results wait in.
func (k Keys) Open(o Options, base, beside string) (*Folder, error) {
	if k.Folder == "" {
		return nil, nil
	}
	o.Shared, o.Waiting = k.shared(base), filepath.Join(beside, waitingFolder)
	var err error
	if o.Wait, err = k.wait(); err != nil {
		return nil, err
	}
	return New(o)
}
