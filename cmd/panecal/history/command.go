package history

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/station/papers"
)

// Flags are those of `panecal sim` that ask for a history.
type Flags struct {
	Folder  string // where it goes, "" for none
	station string
	truth   string
	o       Options
}

// Help explains them for the long text of the command.
const Help = `With --history a whole folder is written, as by panecal init, with a log of so
many attempts over so many days, and no unit is simulated but for the last ones
that --captures asks for: these come down to their photons, with raw captures.
Every record says that it is simulated; reading commands work on the folder, run
and shift refuse it. The same flags give the same bytes. --truth FILE gets a JSON
line an attempt with what was true and what was planted. It ends with one
panecal.history/1 object.`

// AddTo adds the flags to a command, but for the seed, which it has.
func (f *Flags) AddTo(c *cobra.Command) {
	fl := c.Flags()
	fl.StringVar(&f.Folder, "history", "", "write a simulated history into this new folder, instead of simulating units")
	fl.IntVar(&f.o.Attempts, "attempts", 10_000, "with --history: attempts")
	fl.IntVar(&f.o.Days, "days", 0, "with --history: days that they are spread over (default: 1,200 attempts a day)")
	fl.IntVar(&f.o.Captures, "captures", 0, "with --history: so many of the last attempts have raw captures")
	fl.StringVar(&f.station, "station", "cal-1", "with --history: name of the station")
	fl.StringVar(&f.truth, "truth", "", "with --history: file of what was true in each attempt")
}

// Setup makes a station's files in a folder, but no store, and reads them; it
// returns where the store belongs.
type Setup func(folder, station string) (files papers.Catalogue, store string, err error)

// Run writes the history that the flags ask for.
func (f *Flags) Run(c *cobra.Command, software string, seed uint64, setup Setup) error {
	o := f.o
	o.Software, o.Station, o.Seed = software, f.station, seed
	if err := o.Check(); err != nil {
		return cli.UsageError(err)
	}
	if entries, err := os.ReadDir(f.Folder); err == nil && len(entries) > 0 {
		return cli.RefusedError("folder_not_empty", fmt.Errorf("%s is not empty: a history wants a new folder", f.Folder))
	} else if err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("writing a history: %w", err)
	}
	s, err := f.write(c, o, setup)
	if err != nil {
		return fmt.Errorf("writing a history: %w", err)
	}
	return cli.PrintJSON(c.OutOrStdout(), s)
}

// gcPercent leaves a few hundred megabytes of it.
const gcPercent = 400

// write makes the folder whole or not at all.
func (f *Flags) write(c *cobra.Command, o Options, setup Setup) (s Summary, err error) {
	parent := filepath.Dir(filepath.Clean(f.Folder))
	if err := os.MkdirAll(parent, 0o750); err != nil {
		return s, err
	}
	tmp, err := os.MkdirTemp(parent, ".new-history-*")
	if err != nil {
		return s, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(tmp))
		}
	}()
	if o.Files, o.Store, err = setup(tmp, o.Station); err != nil {
		return s, err
	}
	told, done := progress(c.ErrOrStderr(), o.Attempts)
	o.Progress = told
	if f.truth != "" {
		out, err := os.OpenFile(f.truth, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o640)
		if err != nil {
			return s, err
		}
		o.Truth = out
		defer func() { err = errors.Join(err, out.Close()) }()
	}
	// What a record needs is garbage a moment later: collect it less often.
	before := debug.SetGCPercent(gcPercent)
	s, err = Write(c.Context(), o)
	debug.SetGCPercent(before)
	done()
	if err != nil {
		return s, err
	}
	if s.Folder, err = filepath.Abs(f.Folder); err != nil {
		return s, err
	}
	if err := os.Chmod(tmp, 0o750); err != nil {
		return s, err
	}
	if err := os.Remove(f.Folder); err != nil && !errors.Is(err, os.ErrNotExist) {
		return s, err
	}
	return s, os.Rename(tmp, f.Folder)
}

// progress tells on a terminal how far it is.
func progress(talk io.Writer, total int) (told func(int), done func()) {
	file, ok := cli.Terminal(talk)
	if !ok {
		return nil, func() {}
	}
	last := time.Time{}
	return func(n int) {
			if n == total || time.Since(last) > 200*time.Millisecond {
				last = time.Now()
				fmt.Fprintf(file, "\r%d of %d attempts", n, total)
			}
		}, func() {
			fmt.Fprint(file, "\r                                \r")
		}
}
