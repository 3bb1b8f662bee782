package browse

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"time"

	"example.org/panecal/cmd/panecal/causes"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/station/figure"
	screen "example.org/panecal/station/screen/desk"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// past is a log as the pages read it. It keeps the attempt that was looked at last.
type past struct {
	log     *store.Follower
	site    *time.Location
	dossier func(ctx context.Context, serial, path string) error

	at *causes.Attempt
	of screen.Found
}

// recent is how many of the newest records are read for a list without a filter: an
// attempt has three, and refusals, stops and sign-ons stand between.
const recent = 700

// Find gives attempts, the newest first.
func (p *past) Find(ctx context.Context, text string, most int) ([]screen.Found, error) {
	var list []screen.Found
	add := func(f screen.Found) {
		list = append(list, f)
		if len(list) >= 2*most { // those at the end are the newest
			list = append(list[:0], list[len(list)-most:]...)
		}
	}
	var err error
	if text == "" {
		err = p.log.Newest(recent, nil, func(e record.Entry) error {
			if a, ok := e.Body.(*record.Attempt); ok {
				j := &a.Judgement
				serial := a.Run.Serial
				if serial == "" {
					serial = a.Run.Label
				}
				add(screen.Found{Serial: serial, AttemptNo: a.Run.AttemptNo, Generation: e.Ref.Generation, Sequence: e.Ref.Sequence, Time: e.Time, Purpose: string(a.Run.Purpose),
					Outcome: string(a.Outcome), Disposition: string(j.Disposition), Bin: fmt.Sprintf("%d %s", j.SoftBin, j.SoftName), Nest: a.Run.Nest})
			}
			return ctx.Err()
		})
	} else {
		err = desk.Lookup(ctx, p.log, text, func(r *store.Row, held bool) error {
			stands := string(r.Disposition)
			switch {
			case held && r.OnHold:
				stands = "ON HOLD"
			case r.Disposition == record.Release && !r.Released:
				stands = "taken back"
			}
			add(screen.Found{Serial: r.Serial, AttemptNo: r.AttemptNo, Generation: r.Generation, Sequence: r.Sequence, Time: r.Time, Purpose: string(r.Purpose),
				Outcome: string(r.Outcome), Disposition: stands, Bin: fmt.Sprintf("%d %s", r.SoftBin, r.SoftName), Nest: r.Nest})
			return ctx.Err()
		})
	}
	slices.Reverse(list)
	return list[:min(most, len(list))], err
}

// Timeline is what `panecal unit` prints.
func (p *past) Timeline(_ context.Context, f screen.Found) (string, error) {
	u, err := query.History(p.log, f.Serial)
	if err == nil {
		err = u.AddChecks(p.log)
	}
	if err != nil {
		return "", err
	}
	var b bytes.Buffer
	err = u.WriteText(&b, p.site)
	return b.String(), err
}

// attempt finds the record of an attempt.
func (p *past) attempt(f screen.Found) (*causes.Attempt, error) {
	if p.at != nil && p.of == f {
		return p.at, nil
	}
	a, err := causes.Of(p.log, f.Serial, f.Generation, f.Sequence)
	if err == nil {
		p.at, p.of = a, f
	}
	return a, err
}

// Maps are the zone maps of an attempt.
func (p *past) Maps(_ context.Context, f screen.Found) ([]figure.ZoneMap, error) {
	a, err := p.attempt(f)
	if err != nil {
		return nil, err
	}
	return a.Maps(), nil
}

// Histogram is the raw capture of a zone.
func (p *past) Histogram(_ context.Context, f screen.Found, zone int, capture string) (figure.Histogram, error) {
	a, err := p.attempt(f)
	if err != nil {
		return figure.Histogram{}, err
	}
	return a.Histogram(zone, capture)
}

// Compare is what `panecal compare` prints.
func (p *past) Compare(ctx context.Context, f screen.Found) (string, error) {
	a, err := p.attempt(f)
	if err != nil {
		return "", err
	}
	return a.Comparison(ctx)
}

// Dossier writes the report with a reader of its own.
func (p *past) Dossier(ctx context.Context, f screen.Found, path string) error {
	return p.dossier(ctx, f.Serial, path)
}
