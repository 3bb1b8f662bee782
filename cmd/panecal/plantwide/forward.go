package plantwide

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
	"example.org/panecal/store/central"
)

// How a forwarder waits.
const (
	lookEvery   = 500 * time.Millisecond // for new records
	askAgain    = time.Minute            // whether the history is still where it was
	idleAfter   = 10 * time.Second       // then the connection is given back
	firstPause  = time.Second            // after a failure; twice as long each time
	longestWait = 30 * time.Second
)

// memory is what the garbage collector tries to stay below.
const memory = 20 << 20

// Forwarded is what a forwarder says of itself, in a file beside the station's store
// and as the answer of `forward --once --json`.
type Forwarded struct {
	Schema   string    `json:"schema"` // panecal.forward/1
	To       string    `json:"to"`
	Station  string    `json:"station"`
	Sequence uint64    `json:"sequence"` // the last record that the history has
	Head     uint64    `json:"head"`     // the last record of the log
	Lag      uint64    `json:"lag_records"`
	Time     time.Time `json:"time"` // UTC, when it was seen last that the history answers
	Told     time.Time `json:"told"` // UTC, of this file
	Error    string    `json:"error"`
	Refused  string    `json:"refused"` // gap, forked, rewritten or rolled_back: the log is not taken
	Records  uint64    `json:"records"` // carried by this process
}

const forwardedSchema = "panecal.forward/1"

func forwardedPath(folder string) string { return filepath.Join(filepath.Dir(folder), "forward.json") }

// ReadForwarded returns what the forwarder of the store in folder said last, false
// where there never was one.
func ReadForwarded(folder string) (s Forwarded, found bool, err error) {
	data, err := guard.ReadFile(forwardedPath(folder))
	if errors.Is(err, os.ErrNotExist) {
		return s, false, nil
	}
	if err == nil {
		err = json.Unmarshal(data, &s)
	}
	if err != nil {
		return s, true, fmt.Errorf("reading what the forwarder said: %w", err)
	}
	return s, true, nil
}

// NewForward makes `panecal forward`; open follows the log of a folder.
func NewForward(open func() (*store.Follower, string, error), version string) *cobra.Command {
	to, once, asJSON := "", false, false
	c := &cobra.Command{
		Use:   "forward --to URL",
		Short: "Carry the log into the history that all stations share",
		Long: `Carries every record of this station's log into the history, in order, and goes on
with what is recorded from now on; --once ends when the history has all of it. It is a
process of its own, which reads the log as every reader does: the station never waits
for it. It may be killed, started twice or cut off at any time: how far it got it reads
from the history, so nothing is lost and nothing comes twice.

A log that does not follow from what the history has of it is refused (3): a gap, two
logs under one name, a log that was rewritten or put back from an older copy. The
history keeps the incident, and ` + "`panecal doctor`" + ` shows it here.

` + urlHelp,
		Example: `  panecal forward --to postgres://s1@db.plant.example/panecal
  panecal --data /mnt/copy forward --to postgres://s1@db.plant.example/panecal --once`,
		Args: cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if to == "" {
				return cli.UsageError(errors.New("--to is missing: give the URL of the history; see panecal forward --help"))
			}
			t, err := target(to)
			if err != nil {
				return err
			}
			log, folder, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			// What a batch needs is garbage a moment later, and this process is to stay
			// small beside the station.
			defer debug.SetGCPercent(debug.SetGCPercent(50))
			defer debug.SetMemoryLimit(debug.SetMemoryLimit(memory))
			f, err := central.NewForwarder(t, log, version)
			if err != nil {
				return err
			}
			defer f.Close()
			w := &carrier{forwarder: f, log: log, folder: folder, talk: c.ErrOrStderr(), once: once, state: Forwarded{Schema: forwardedSchema, To: t.String()}}
			err = w.run(c.Context())
			if asJSON {
				err = errors.Join(err, cli.PrintJSON(c.OutOrStdout(), w.state))
			}
			return err
		},
	}
	c.Flags().StringVar(&to, "to", "", "URL of the history")
	c.Flags().BoolVar(&once, "once", false, "end when the history has the whole log")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object at the end")
	return c
}

// carrier is one run of forward.
type carrier struct {
	forwarder *central.Forwarder
	log       *store.Follower
	folder    string
	talk      io.Writer
	once      bool
	state     Forwarded
	kept      time.Time // when the file was written
	mute      bool      // it cannot be written, and that was said
	said      string    // the last trouble that was told
}

func (w *carrier) run(ctx context.Context) error {
	pause := firstPause
	for {
		p, err := w.forwarder.Step(ctx)
		if ctx.Err() != nil {
			w.keep(true)
			return nil // asked to end: nothing is half done
		}
		now := time.Now().UTC()
		if p.Head.Station != "" {
			w.state.Station, w.state.Head = p.Head.Station, p.Head.Sequence
		}
		var incident *central.Incident
		switch {
		case errors.As(err, &incident):
			w.state.Error, w.state.Refused, w.state.Time = incident.What, string(incident.Fault), now
			w.keep(true)
			err = &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("the history does not take this log: %w; keep the folder as it is, and see `panecal log check`", err)}
		case err != nil:
			w.state.Error, w.state.Refused = err.Error(), ""
			w.keep(true)
			err = failure("forwarding", err)
		default:
			pause = firstPause
			w.said = ""
			w.state.Error, w.state.Refused, w.state.Time = "", "", now
			w.state.Sequence, w.state.Lag = p.Position.Sequence, p.Lag()
			w.state.Records += uint64(p.Sent)
		}
		if err != nil {
			if w.once || cli.ExitCode(err) == cli.ExitRefused {
				return err
			}
			if text := err.Error(); text != w.said {
				w.said = text
				fmt.Fprintln(w.talk, "panecal: forward:", visible.Text(text))
			}
			if !wait(ctx, pause) {
				return nil
			}
			pause = min(2*pause, longestWait)
			continue
		}
		w.progress(p.Sent == 0)
		if p.Sent > 0 {
			w.keep(false)
			continue
		}
		w.keep(true)
		if w.once {
			if p.Lag() > 0 { // another forwarder was quicker
				continue
			}
			return nil
		}
		if err := w.idle(ctx, p.Position.Sequence); err != nil || ctx.Err() != nil {
			return err
		}
	}
}

// idle waits until the log has more than the history, or it is time to ask.
func (w *carrier) idle(ctx context.Context, sequence uint64) error {
	for began := time.Now(); time.Since(began) < askAgain; {
		if !wait(ctx, lookEvery) {
			return nil
		}
		if w.forwarder.Connected() && time.Since(began) > idleAfter {
			w.forwarder.Close()
		}
		head, err := w.log.Head()
		if err != nil {
			return fmt.Errorf("forwarding: %w", err)
		}
		if head.Sequence != sequence {
			return nil
		}
	}
	return nil
}

// wait is false where the command is to end.
func wait(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// progress tells on a terminal how far the log was carried.
func (w *carrier) progress(end bool) {
	file, ok := cli.Terminal(w.talk)
	switch {
	case ok:
		fmt.Fprintf(file, "\rforward: record %d of %d is in the history ", w.state.Sequence, w.state.Head)
		if end {
			fmt.Fprintln(file)
		}
	case end && w.once:
		fmt.Fprintf(w.talk, "forward: station %s: record %d of %d is in the history\n", visible.Text(w.state.Station), w.state.Sequence, w.state.Head)
	}
}

// keep writes the file for the doctor; now, or when the last is a second old.
func (w *carrier) keep(now bool) {
	if !now && time.Since(w.kept) < time.Second {
		return
	}
	w.kept = time.Now()
	w.state.Told = w.kept.UTC()
	data, err := json.Marshal(w.state)
	if err == nil {
		err = files.Replace(forwardedPath(w.folder), append(data, '\n'), 0o640)
	}
	if err != nil && !w.mute {
		w.mute = true
		fmt.Fprintln(w.talk, "panecal: forward: the doctor will not see how it goes:", visible.Text(err.Error()))
	}
}
