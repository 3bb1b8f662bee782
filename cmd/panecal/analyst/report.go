package analyst

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"example.org/panecal/cmd/panecal/causes"
	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/store"
	"example.org/panecal/store/dossier"
	"example.org/panecal/store/evidence"
	"example.org/panecal/store/export"
	"example.org/panecal/store/proof"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// Reports makes dossiers: Open opens the log, Find says where it is and who remembers
// it, Site is the zone of its times, Software this program's version.
type Reports struct {
	Open     Open
	Find     func() (logs.Log, error)
	Site     func() *time.Location
	Software string
}

// About makes the report about a unit as people type it; a log that is not as it was
// written is no error where the report can say so.
func (r *Reports) About(ctx context.Context, typed string, talk io.Writer) (*dossier.Dossier, error) {
	l, err := r.Find()
	if err != nil {
		return nil, err
	}
	check, err := store.Check(l.Folder, store.CheckOptions{Beside: l.Beside, Progress: logs.Progress(talk, "checking")})
	if err != nil {
		return nil, logs.Error("checking the log", l.Folder, err)
	}
	d := dossier.New(strings.ToUpper(typed), r.Software, time.Now(), r.Site(), check)
	if err := r.tell(ctx, d, l, typed, talk); err != nil {
		if d.Log.Whole {
			return nil, err
		}
		d.Unreadable = err.Error()
	}
	return d, nil
}

// ToFile writes the page about a unit into a file, and says by its error if the log is
// not as it was written: the file is written all the same.
func (r *Reports) ToFile(ctx context.Context, typed, path string) error {
	d, err := r.About(ctx, typed, io.Discard)
	if err != nil {
		return err
	}
	if err := export.ToFile(path, d.WriteHTML); err != nil {
		return fmt.Errorf("writing the dossier: %w", err)
	}
	return worth(d)
}

// worth is an error where the log is not as it was written.
func worth(d *dossier.Dossier) error {
	if d.Log.Whole {
		return nil
	}
	return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("the log is not as it was written (%s): the dossier says so; `panecal log check` shows all of it", d.Log.Problems[0].Code)}
}

// tell adds the unit, its evidence and its proofs.
func (r *Reports) tell(ctx context.Context, d *dossier.Dossier, l logs.Log, typed string, talk io.Writer) error {
	log, err := r.Open()
	if err != nil {
		return err
	}
	defer log.Close()
	var u *query.Unit
	for _, serial := range desk.Serials(typed) {
		if u, err = query.History(log, serial); err != nil || u.Found {
			break
		}
	}
	if err == nil && !u.Found {
		return fmt.Errorf("the log has nothing about %q: `panecal find %s` looks for a part of it", typed, typed)
	}
	if err == nil {
		err = u.AddChecks(log)
	}
	if err != nil {
		return fmt.Errorf("reading the log: %w", err)
	}
	d.Serial = u.Serial
	files := evidence.NewFiles(log)
	d.Tell(u, func(document, revision string) *record.ReleaseTaken {
		t, err := files.Find(document, revision)
		if err != nil {
			return nil // the page then has the revision alone
		}
		return t
	})
	if a := d.Reported(); a != nil {
		if d.Evidence, err = evidenceOf(ctx, log, u.Serial, a); err != nil {
			return fmt.Errorf("reading the evidence: %w", err)
		}
	}
	f, under, left, why := proofOf(l, u.Serial, talk)
	if why != "" {
		d.ProofNote = "There is no proof: " + why
		return nil
	}
	return d.Prove(f, under.Time, under.Size, left)
}

func proofOf(l logs.Log, serial string, talk io.Writer) (f proof.File, under store.FoundCheckpoint, left int, why string) {
	under, err := logs.Newest(l)
	if err != nil {
		return f, under, 0, err.Error()
	}
	if f, left, err = store.Prove(l.Folder, serial, under, nil, logs.Progress(talk, "proving")); err != nil {
		return f, under, left, err.Error()
	}
	if len(f.Records) == 0 {
		why = "the newest checkpoint covers no record of this unit."
	}
	return f, under, left, why
}

// evidenceOf gathers what the attempt looks like. What cannot be had is told; a log that
// is damaged is an error.
func evidenceOf(ctx context.Context, log *store.Follower, serial string, reported *query.Attempt) (*dossier.Evidence, error) {
	e := &dossier.Evidence{Histograms: []dossier.Histogram{}, Missing: []string{}}
	a, err := causes.Of(log, serial, reported.Record.Generation, reported.Record.Sequence)
	if err != nil {
		return nil, err
	}
	missing := func(what string, err error) error {
		if errors.Is(err, store.ErrDamaged) || ctx.Err() != nil {
			return err
		}
		e.Missing = append(e.Missing, what+": "+err.Error())
		return nil
	}
	if zone := a.Brightest(); zone > 0 {
		for _, capture := range []string{"empty", "target"} {
			h, err := a.Histogram(zone, capture)
			if err == nil {
				e.Histograms = append(e.Histograms, dossier.Histogram{Capture: capture, Zone: zone, Histogram: h})
			} else if err := missing("No histogram of the "+capture+" capture", err); err != nil {
				return nil, err
			}
		}
	}
	if e.Population, err = a.Standing(ctx); err != nil {
		if err := missing("No comparison with the population", err); err != nil {
			return nil, err
		}
	}
	if e.Causes, err = a.Causes(ctx); err != nil {
		if err := missing("No cause is named", err); err != nil {
			return nil, err
		}
	}
	return e, nil
}
