package main

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
)

func newLog(where *place) *cobra.Command {
	c := &cobra.Command{
		Use:   "log",
		Short: "Check, copy and rebuild the station's log",
		Args:  cli.Args(cobra.NoArgs),
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newLogCheck(where), newLogBackup(where), newLogRebuild(where))
	return c
}

// logReport is `log check --json`.
type logReport struct {
	Schema    string       `json:"schema"`
	Store     string       `json:"store"`
	Station   string       `json:"station"`
	Sequence  uint64       `json:"sequence"`
	Hash      string       `json:"hash"`
	Records   int64        `json:"records"`
	Captures  int64        `json:"captures"`
	Segments  int          `json:"segments"`
	Bytes     int64        `json:"bytes"`
	Problems  []logProblem `json:"problems"`
	Witnesses []logWitness `json:"witnesses"`
	Notes     []string     `json:"notes"`
}

type logProblem struct {
	Code   store.Fault `json:"code"`
	File   string      `json:"file"`
	Record uint64      `json:"record"` // 0 where it is in none
	Offset int64       `json:"offset"` // byte, -1 where there is no place
	What   string      `json:"what"`
}

// logWitness is somebody beside the chain who remembers a record.
type logWitness struct {
	Kind     string `json:"kind"`
	Sequence uint64 `json:"sequence"`
	Agrees   bool   `json:"agrees"`
	Where    string `json:"where"`
}

func newLogCheck(where *place) *cobra.Command {
	var asJSON, deep bool
	c := &cobra.Command{
		Use:   "check",
		Short: "Prove that the log is whole and unchanged",
		Long: `Reads every record and every raw capture, checks each against its hash, and the
chain of hashes. The files that are made of the records, index and columns, are
held against the digests in the log, and against the records where it has none;
--deep decodes every record and makes all of them anew, which takes several times
as long. It changes no log and may run while the station works. Exit code 3 where
anything is not as it was written: copy the store's folder as it is before
anybody mends it.`,
		Example: "  panecal log check\n  panecal log check --deep\n  panecal --data /mnt/copy log check --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			folder, err := where.storeFolder()
			if err != nil {
				return err
			}
			report, err := checkLog(folder, store.CheckOptions{Deep: deep, Beside: where.beside()}, c.ErrOrStderr())
			if err != nil {
				return err
			}
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), report)
			} else {
				writeLogReport(c.OutOrStdout(), report)
			}
			if err == nil && len(report.Problems) > 0 {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	c.Flags().BoolVar(&deep, "deep", false, "decode every record and make anew all that is derived of it")
	return c
}

func checkLog(folder string, o store.CheckOptions, talk io.Writer) (logReport, error) {
	o.Progress = tellProgress(talk, "checking")
	r, err := store.Check(folder, o)
	if err != nil {
		return logReport{}, logError("checking the log", folder, err)
	}
	noteLogCheck(folder, logChecked{time.Now().UTC(), r.Head.Sequence, len(r.Problems)})
	out := logReport{
		Schema: "panecal.log_check/1", Store: folder, Station: r.Station, Sequence: r.Head.Sequence, Hash: hex.EncodeToString(r.Head.Hash[:]),
		Records: r.Records, Captures: r.Captures, Segments: r.Segments, Bytes: r.Bytes, Problems: []logProblem{}, Witnesses: []logWitness{}, Notes: []string{},
	}
	for _, p := range r.Problems {
		out.Problems = append(out.Problems, logProblem{p.Fault, p.File, p.Record, p.Offset, p.What})
	}
	for _, w := range r.Witnesses {
		out.Witnesses = append(out.Witnesses, logWitness{w.Kind, w.Sequence, w.Agrees, w.Where})
	}
	out.Notes = append(out.Notes, r.Notes...)
	return out, nil
}

// tellProgress says every tenth of what is being done to a log.
func tellProgress(talk io.Writer, doing string) func(done, total int64) {
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

// logError gives an error about a log its exit code.
func logError(doing, folder string, err error) error {
	switch {
	case errors.Is(err, store.ErrNoStore):
		return cli.RefusedError("no_store", fmt.Errorf("no store at %s: name its folder with --data", folder))
	case errors.Is(err, store.ErrHeld):
		return cli.RefusedError("store_held", fmt.Errorf("%s: %w: end that one first", doing, err))
	case errors.Is(err, store.ErrExists):
		return cli.RefusedError("folder_not_empty", fmt.Errorf("%s: %w: name a folder that is empty or not there", doing, err))
	case errors.Is(err, store.ErrSimulated):
		return cli.RefusedError("store_simulated", fmt.Errorf("%s: %w", doing, err))
	case errors.Is(err, store.ErrDamaged):
		return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%s: %w; `panecal log check` shows all of it", doing, err)}
	}
	return fmt.Errorf("%s: %w", doing, err)
}

func writeLogReport(w io.Writer, r logReport) {
	fmt.Fprintf(w, "station   %s\nstore     %s\nrecords   %d, the last has sequence %d\ncaptures  %d\nsegments  %d, %d bytes\nhead      %s\n",
		r.Station, r.Store, r.Records, r.Sequence, r.Captures, r.Segments, r.Bytes, r.Hash)
	for _, known := range r.Witnesses {
		if known.Agrees {
			fmt.Fprintf(w, "agrees    %s, record %d (%s)\n", known.Kind, known.Sequence, known.Where)
		}
	}
	for _, n := range r.Notes {
		fmt.Fprintf(w, "note      %s\n", n)
	}
	for _, p := range r.Problems {
		at := ""
		if p.Offset >= 0 {
			at = fmt.Sprintf(" at byte %d", p.Offset)
		}
		fmt.Fprintf(w, "%-9s %s%s: %s\n", strings.ToUpper(strings.ReplaceAll(string(p.Code), "_", " ")), p.File, at, p.What)
	}
	if len(r.Problems) == 0 {
		fmt.Fprintln(w, "whole     every record and capture is as it was written")
	}
}
