package logs

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
)

// Log is a log that is looked at, and who remembers it.
type Log struct {
	Folder string // of the store
	Beside store.Beside
}

// Find says which log a command is about, when it runs.
type Find func() (Log, error)

// Noted is told that a log was checked, when, up to which record, and how many
// problems there are.
type Noted func(folder string, at time.Time, sequence uint64, problems int)

// Remembered holds the log against what is remembered of it. What is worth
// knowing goes to talk; a log that is not the one remembered is an error with
// the code of a check that failed. Else this reader remembers it now.
func (l Log) Remembered(talk io.Writer) error {
	problem, note, err := store.Ask(l.Folder, l.Beside)
	if note != "" {
		fmt.Fprintln(talk, "panecal: the log:", visible.Text(note))
	}
	if problem != nil {
		return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%s: %w: keep the folder as it is; `panecal log check` shows all of it", problem.Fault, problem)}
	}
	if err == nil {
		_ = store.Meet(l.Folder, l.Beside.Known) // who cannot remember may read all the same
	}
	return err
}

// Report is `log check --json`.
type Report struct {
	Schema    string    `json:"schema"`
	Store     string    `json:"store"`
	Station   string    `json:"station"`
	Sequence  uint64    `json:"sequence"`
	Hash      string    `json:"hash"`
	Records   int64     `json:"records"`
	Captures  int64     `json:"captures"`
	Segments  int       `json:"segments"`
	Bytes     int64     `json:"bytes"`
	Problems  []problem `json:"problems"`
	Witnesses []witness `json:"witnesses"`
	Notes     []string  `json:"notes"`
}

type problem struct {
	Code   store.Fault `json:"code"`
	File   string      `json:"file"`
	Record uint64      `json:"record"` // 0 where it is in none
	Offset int64       `json:"offset"` // byte, -1 where there is no place
	What   string      `json:"what"`
}

// witness is somebody beside the chain who remembers a record.
type witness struct {
	Kind     string `json:"kind"`
	Sequence uint64 `json:"sequence"`
	Agrees   bool   `json:"agrees"`
	Where    string `json:"where"`
}

// NewCheck is the sub-command log check; noted is told of each check.
func NewCheck(find Find, noted Noted) *cobra.Command {
	var asJSON, deep bool
	var against []string
	var key string
	c := &cobra.Command{
		Use:   "check",
		Short: "Prove that the log is whole and unchanged",
		Long: `Reads every record and every raw capture, checks each against its hash, and the
chain of hashes. The files that are made of the records, index and columns, are
held against the digests in the log, and against the records where it has none;
--deep decodes every record and makes all of them anew, which takes several times
as long. It changes no log and may run while the station works. Exit code 3 where
anything is not as it was written: copy the store's folder as it is before
anybody mends it.

The log is also held against who remembers it: what this computer and this user
know of it, the checkpoints beside the store and in the folders that the
configuration names, and with --against any others. A checkpoint that you have
kept where nobody at the station can reach it finds every change before it. With
--against a folder with another copy of the log, such as a backup, both are compared
record by record, and so is the history of many stations with its URL.`,
		Example: "  panecal log check\n  panecal log check --deep\n  panecal --data /mnt/copy log check --json\n  panecal log check --against /mnt/share/57.note --key station.pub",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			l, err := find()
			if err != nil {
				return err
			}
			beside := l.Beside
			plants, rest, err := histories(against)
			if err != nil {
				return err
			}
			beside.Against = rest
			if key != "" {
				if beside.Public, err = PublicKey(key); err != nil {
					return err
				}
			}
			r, err := Check(l.Folder, store.CheckOptions{Deep: deep, Beside: beside}, c.ErrOrStderr(), noted)
			if err != nil {
				return err
			}
			for _, t := range plants {
				if err := r.against(c.Context(), t, l.Folder); err != nil {
					return err
				}
			}
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), r)
			} else {
				r.write(c.OutOrStdout())
			}
			if err == nil && len(r.Problems) > 0 {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	c.Flags().BoolVar(&deep, "deep", false, "decode every record and make anew all that is derived of it")
	c.Flags().StringArrayVar(&against, "against", nil, "checkpoint, folder of them, another copy of the log, or URL of a history, to hold the log against (repeat for more)")
	c.Flags().StringVar(&key, "key", "", "the station's public key, or a file with it (default: station.pub beside the store)")
	return c
}

// Check checks the log in folder, and tells noted.
func Check(folder string, o store.CheckOptions, talk io.Writer, noted Noted) (Report, error) {
	o.Progress = Progress(talk, "checking")
	r, err := store.Check(folder, o)
	if err != nil {
		return Report{}, Error("checking the log", folder, err)
	}
	noted(folder, time.Now().UTC(), r.Head.Sequence, len(r.Problems))
	out := Report{
		Schema: "panecal.log_check/1", Store: folder, Station: r.Station, Sequence: r.Head.Sequence, Hash: hex.EncodeToString(r.Head.Hash[:]),
		Records: r.Records, Captures: r.Captures, Segments: r.Segments, Bytes: r.Bytes, Problems: []problem{}, Witnesses: []witness{}, Notes: []string{},
	}
	for _, p := range r.Problems {
		out.Problems = append(out.Problems, problem{p.Fault, p.File, p.Record, p.Offset, p.What})
	}
	for _, w := range r.Witnesses {
		out.Witnesses = append(out.Witnesses, witness{w.Kind, w.Sequence, w.Agrees, w.Where})
	}
	out.Notes = append(out.Notes, r.Notes...)
	return out, nil
}

// Progress says every tenth of what is being done to a log.
func Progress(talk io.Writer, doing string) func(done, total int64) {
	told := int64(-1)
	return func(done, total int64) {
		// A small log is done before anybody could read a percentage.
		const worthTelling = 64 << 20
		if total < worthTelling {
			return
		}
		if tenth := 10 * done / total; tenth != told {
			told = tenth
			fmt.Fprintf(talk, "%s: %d %%\n", doing, 10*tenth)
		}
	}
}

// Error gives an error about a log its exit code.
func Error(doing, folder string, err error) error {
	switch {
	case errors.Is(err, store.ErrNoStore):
		return cli.RefusedError("no_store", fmt.Errorf("no store at %s: name its folder with --data", folder))
	case errors.Is(err, store.ErrHeld):
		return cli.RefusedError("store_held", fmt.Errorf("%s: %w: end that one first", doing, err))
	case errors.Is(err, store.ErrExists):
		return cli.RefusedError("folder_not_empty", fmt.Errorf("%s: %w: name a folder that is empty or not there", doing, err))
	case errors.Is(err, store.ErrSimulated):
		return cli.RefusedError("store_simulated", fmt.Errorf("%s: %w", doing, err))
	case errors.Is(err, store.ErrSimulated):
		return cli.RefusedError("store_simulated", fmt.Errorf("%s: %w", doing, err))
	case errors.Is(err, store.ErrDamaged):
		return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%s: %w; `panecal log check` shows all of it", doing, err)}
	}
	return fmt.Errorf("%s: %w", doing, err)
}

func (r *Report) write(w io.Writer) {
	fmt.Fprintf(w, "station   %s\nstore     %s\nrecords   %d, the last has sequence %d\ncaptures  %d\nsegments  %d, %d bytes\nhead      %s\n",
		visible.Text(r.Station), visible.Text(r.Store), r.Records, r.Sequence, r.Captures, r.Segments, r.Bytes, r.Hash)
	var kinds []string
	newest, count := map[string]uint64{}, map[string]int{}
	for _, known := range r.Witnesses {
		if known.Agrees {
			if count[known.Kind]++; count[known.Kind] == 1 {
				kinds = append(kinds, known.Kind)
			}
			newest[known.Kind] = max(newest[known.Kind], known.Sequence)
		}
	}
	for _, kind := range kinds {
		fmt.Fprintf(w, "agrees    %s, %d of them, up to record %d\n", kind, count[kind], newest[kind])
	}
	for _, n := range r.Notes {
		fmt.Fprintf(w, "note      %s\n", visible.Text(n))
	}
	for _, p := range r.Problems {
		at := ""
		if p.Offset >= 0 {
			at = fmt.Sprintf(" at byte %d", p.Offset)
		}
		fmt.Fprintf(w, "%-9s %s%s: %s\n", strings.ToUpper(strings.ReplaceAll(string(p.Code), "_", " ")), visible.Text(p.File), at, visible.Text(p.What))
	}
	if len(r.Problems) == 0 {
		fmt.Fprintln(w, "whole     every record and capture is as it was written")
	}
}
