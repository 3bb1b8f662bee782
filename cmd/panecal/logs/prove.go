// Package logs is the sub-commands about a log as a whole: check and backup,
// log prove for somebody who does not have it, and log verify at that person's
// desk.
package logs

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
	"example.org/panecal/store/dossier"
	"example.org/panecal/store/proof"
	"example.org/panecal/store/record"
)

// NewProve is the sub-command log prove.
func NewProve(find Find) *cobra.Command {
	var out, under, since string
	c := &cobra.Command{
		Use:   "prove [SERIAL] --out FILE",
		Short: "Prove a unit's records to somebody without the log",
		Long: `Writes a file with all records about a unit, and for each the proof that it is
in the log whose checkpoint the station has signed. ` + "`panecal log verify`" + ` checks it
with the station's public key alone: the file station.pub beside the store.

With --since NOTE it also proves that the log of that earlier checkpoint grew
into this one: no record before it was changed or taken out. A serial may then
stay out.

A proof says that these records are in the log. It does not say that there are
no others about the unit. The log is read through once; a checkpoint that
covers the unit is taken from the folder checkpoints beside the store and from
those that the configuration names, or is named with --under.`,
		Example: "  panecal log prove H54-00001-X --out H54-00001-X.proof\n  panecal log prove --since /mnt/share/57.note --out growth.proof",
		Args:    cli.Args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			serial := ""
			if len(args) > 0 {
				serial = args[0]
			}
			if out == "" || serial == "" && since == "" {
				return cli.UsageError(fmt.Errorf("--out is needed, and a serial or --since; see %s --help", c.CommandPath()))
			}
			l, err := find()
			if err != nil {
				return err
			}
			return prove(c, l, serial, under, since, out, Progress(c.ErrOrStderr(), "proving"))
		},
	}
	c.Flags().StringVar(&out, "out", "", "the proof; it must not exist")
	c.Flags().StringVar(&under, "under", "", "checkpoint to prove under (default: the newest)")
	c.Flags().StringVar(&since, "since", "", "earlier checkpoint, to prove that the log grew out of it")
	return c
}

func prove(c *cobra.Command, l Log, serial, under, since, out string, progress func(done, total int64)) error {
	newest, err := newest(l, under)
	if err != nil {
		return err
	}
	var earlier *store.FoundCheckpoint
	if since != "" {
		if earlier, err = one(since, l.Beside.Public); err != nil {
			return err
		}
	}
	f, left, err := store.Prove(l.Folder, serial, newest, earlier, progress)
	if err != nil {
		return Error("proving", l.Folder, err)
	}
	if serial != "" && len(f.Records) == 0 {
		return fmt.Errorf("the log has nothing about %q up to record %d, which the checkpoint covers: check the serial", serial, newest.Size)
	}
	if left > 0 {
		fmt.Fprintf(c.ErrOrStderr(), "panecal: %d newer records about %s are not covered by the checkpoint and left out\n", left, visible.Text(serial))
	}
	data, err := f.Marshal()
	if err != nil {
		return fmt.Errorf("writing the proof: %w", err)
	}
	if err := files.WriteNew(out, data); err != nil {
		return err
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %d records, %d bytes, under the checkpoint at record %d of %s\n", visible.Text(out), len(f.Records), len(data), newest.Size, newest.Time.Format(time.RFC3339))
	return err
}

// Newest is the newest checkpoint of a log.
func Newest(l Log) (store.FoundCheckpoint, error) { return newest(l, "") }

// newest is the checkpoint to prove under.
func newest(l Log, path string) (store.FoundCheckpoint, error) {
	if path != "" {
		f, err := one(path, l.Beside.Public)
		if err != nil {
			return store.FoundCheckpoint{}, err
		}
		return *f, nil
	}
	origin, err := store.OriginOf(l.Folder)
	if errors.Is(err, fs.ErrNotExist) {
		return store.FoundCheckpoint{}, cli.RefusedError("no_store", fmt.Errorf("no store at %s: name its folder with --data", l.Folder))
	}
	if err != nil {
		return store.FoundCheckpoint{}, err
	}
	var best store.FoundCheckpoint
	var broken error
	for _, folder := range l.Beside.Checkpoints {
		all, err := store.ReadCheckpoints(folder, l.Beside.Public)
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			broken = errors.Join(broken, err) // another folder will do
		}
		for _, f := range all {
			if f.Err == nil && f.Origin == origin && f.Size > best.Size {
				best = f
			}
		}
	}
	if best.Size == 0 {
		if broken != nil {
			return best, broken
		}
		return best, cli.RefusedError("no_checkpoint", fmt.Errorf("no checkpoint of this log in %s: the station writes one after each verdict; name one with --under", strings.Join(l.Beside.Checkpoints, ", ")))
	}
	return best, nil
}

func one(path, public string) (*store.FoundCheckpoint, error) {
	all, err := store.ReadCheckpoints(path, public)
	if err != nil {
		return nil, err
	}
	if len(all) != 1 {
		return nil, fmt.Errorf("%s is no checkpoint", path)
	}
	if err := all[0].Err; err != nil {
		return nil, &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%s: %w", path, err)}
	}
	return &all[0], nil
}

// checked is `log verify --json`.
type checked struct {
	Schema     string          `json:"schema"`
	Origin     string          `json:"origin"` // station and log
	Sequence   int64           `json:"sequence"`
	Time       time.Time       `json:"time"` // of the checkpoint, UTC
	Serial     string          `json:"serial"`
	Records    []checkedRecord `json:"records"`
	GrewFrom   *int64          `json:"grew_from"` // sequence of the earlier checkpoint
	GrewFromAt *time.Time      `json:"grew_from_time"`
}

type checkedRecord struct {
	Sequence    uint64    `json:"sequence"`
	Hash        string    `json:"hash"`
	Time        time.Time `json:"time"`
	Kind        string    `json:"kind"`
	Outcome     string    `json:"outcome"` // of an attempt
	Disposition string    `json:"disposition"`
}

// NewVerify is the sub-command log verify.
func NewVerify() *cobra.Command {
	var key string
	var asJSON bool
	c := &cobra.Command{
		Use:   "verify FILE --key PUBLIC",
		Short: "Check a proof, with no log at hand",
		Long: `Checks a file made by ` + "`panecal log prove`" + `, or the page of a dossier, against the station's public key: the
text of station.pub, or a file with it. Get the key from the station's people by
another way than the proof. It needs no store. Exit code 3 where anything in the
file is not as the station signed it.`,
		Example: "  panecal log verify H54-00001-X.proof --key station.pub",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if key == "" {
				return cli.UsageError(fmt.Errorf("--key is needed: the station's public key; see %s --help", c.CommandPath()))
			}
			public, err := PublicKey(key)
			if err != nil {
				return err
			}
			data, err := os.ReadFile(args[0])
			if err != nil {
				return fmt.Errorf("reading the proof: %w", err)
			}
			if dossier.IsPage(data) {
				if data, err = dossier.ProofIn(data); err != nil {
					return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%s: %w", args[0], err)}
				}
			}
			found, err := proof.Check(data, public)
			if err != nil {
				return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%s: %w", args[0], err)}
			}
			return tell(c, asJSON, found)
		},
	}
	c.Flags().StringVar(&key, "key", "", "the station's public key, or a file with it")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// PublicKey is a station's public key that was given as its text, or as a file.
func PublicKey(given string) (string, error) {
	if strings.Count(given, "+") >= 2 && !strings.ContainsAny(filepath.Base(given), " \n") {
		if _, err := os.Stat(given); err != nil {
			return given, nil
		}
	}
	data, err := os.ReadFile(given)
	if err != nil {
		return "", fmt.Errorf("reading the station's public key: %w", err)
	}
	return strings.TrimSpace(string(data)), nil
}

func tell(c *cobra.Command, asJSON bool, found proof.Checked) error {
	p := found.Checkpoint
	out := checked{Schema: "panecal.proof_check/1", Origin: p.Origin, Sequence: p.Size, Time: p.Time, Serial: found.Serial, Records: []checkedRecord{}}
	for _, e := range found.Records {
		r := checkedRecord{Sequence: e.Ref.Sequence, Hash: e.Ref.Hash.String(), Time: e.Time, Kind: e.Body.Kind().String()}
		if a, ok := e.Body.(*record.Attempt); ok {
			r.Outcome, r.Disposition = string(a.Outcome), string(a.Judgement.Disposition)
		}
		out.Records = append(out.Records, r)
	}
	if e := found.Earlier; e != nil {
		out.GrewFrom, out.GrewFromAt = &e.Size, &e.Time
	}
	if asJSON {
		return cli.PrintJSON(c.OutOrStdout(), out)
	}
	w := c.OutOrStdout()
	fmt.Fprintf(w, "log       %s\ncheckpoint record %d, %s\n", visible.Text(out.Origin), out.Sequence, out.Time.Format(time.RFC3339))
	if out.GrewFrom != nil {
		fmt.Fprintf(w, "grew      out of the log at record %d, %s: nothing before it was changed\n", *out.GrewFrom, out.GrewFromAt.Format(time.RFC3339))
	}
	for _, r := range out.Records {
		fmt.Fprintf(w, "proven    record %d, %s, %q: %s %s %s\n", r.Sequence, r.Time.Format(time.RFC3339), out.Serial, visible.Text(r.Kind), r.Outcome, r.Disposition)
	}
	return nil
}
