package causes

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/panecal/station/cause"
	"example.org/panecal/station/figure"
	"example.org/panecal/store"
	"example.org/panecal/store/dossier"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// Attempt is one attempt of a unit, for pages and reports about it.
type Attempt struct{ subject }

// Of finds an attempt by its record.
func Of(log *store.Follower, serial string, generation uint32, sequence uint64) (*Attempt, error) {
	list, err := log.BySerial(serial)
	if err != nil {
		return nil, fmt.Errorf("reading the history of %q: %w", serial, err)
	}
	s := Attempt{subject{serial: serial, log: log}}
	for _, e := range list {
		a, ok := e.Body.(*record.Attempt)
		switch {
		case !ok:
		case e.Ref.Generation == generation && e.Ref.Sequence == sequence:
			s.entry, s.attempt = e, a
		case s.attempt != nil && s.later == nil && len(a.Quantities) > 0:
			s.later = a
		}
	}
	if s.attempt == nil {
		return nil, fmt.Errorf("record %d/%d is no attempt of %s", generation, sequence, serial)
	}
	return &s, nil
}

// Maps are leakage, offset and signal over the zones.
func (a *Attempt) Maps() []figure.ZoneMap { return zoneMaps(&a.attempt.Zones) }

// Histogram is the raw capture, "empty" or "target", of a zone, from 1, with what is
// fitted to it.
func (a *Attempt) Histogram(zone int, capture string) (figure.Histogram, error) {
	if n := a.attempt.Zones.Rows * a.attempt.Zones.Cols; n > 0 {
		zone = min(zone, n)
	}
	return a.histogram(zone, capture)
}

// Brightest is the zone, from 1, that has most leakage; 0 where none was measured.
func (a *Attempt) Brightest() int {
	at := 0
	for z, v := range a.attempt.Zones.Leakage {
		if !math.IsNaN(v) && (at == 0 || v > a.attempt.Zones.Leakage[at-1]) {
			at = z + 1
		}
	}
	return at
}

// Standing holds the attempt against its population, as `panecal compare` does.
func (a *Attempt) Standing(ctx context.Context) (*dossier.Population, error) {
	c, err := compareOf(ctx, &a.subject, store.Filter{}, usualZones, 0.01)
	if err != nil {
		return nil, err
	}
	p := &dossier.Population{Product: c.Product, From: c.From, Until: c.Until, Groups: []dossier.Group{}, Quantities: []dossier.Standing{},
		Units: c.Together.Units, Distance: query.Number(c.Together.Distance), P: query.Number(c.Together.P), FalseAlarm: query.Number(c.Together.FalseAlarm), Odd: c.Together.Odd,
		Used: []dossier.Departure{}, LeftOut: slices.Concat([]string{}, c.Together.NoSpread, c.Together.Unknown, c.Together.TooMany),
		Attempts: c.Zones.Attempts, Rows: c.Zones.Rows, Cols: c.Zones.Cols, Leakage: c.Zones.Leakage, Signal: c.Zones.Signal}
	for _, g := range c.Groups {
		p.Groups = append(p.Groups, dossier.Group(g))
	}
	for _, q := range c.Quantities {
		s := dossier.Standing{Name: q.Name, Unit: q.Unit, Value: q.Value, Median: q.Median, Percentiles: []query.Number{}}
		for _, x := range q.Percentiles {
			s.Percentiles = append(s.Percentiles, query.Number(x))
		}
		p.Quantities = append(p.Quantities, s)
	}
	for _, u := range c.Together.Used {
		p.Used = append(p.Used, dossier.Departure{Name: u.Name, Sigmas: query.Number(u.Sigmas)})
	}
	return p, nil
}

// Comparison is what `panecal compare` prints.
func (a *Attempt) Comparison(ctx context.Context) (string, error) {
	if len(a.attempt.Quantities) == 0 {
		return "", fmt.Errorf("attempt %d of %s measured nothing: there is nothing to compare", a.attempt.Run.AttemptNo, a.serial)
	}
	c, err := compareOf(ctx, &a.subject, store.Filter{}, usualZones, 0.01)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	err = c.writeText(&b)
	return b.String(), err
}

// Causes ranks what may be wrong, as `panecal cause` does.
func (a *Attempt) Causes(ctx context.Context) (*dossier.Causes, error) {
	table, err := cause.Default()
	if err != nil {
		return nil, err
	}
	r, err := rank(ctx, &a.subject, store.Filter{}, usualNeighbours, table)
	if err != nil {
		return nil, err
	}
	c := &dossier.Causes{Population: r.Population, List: []dossier.Cause{}, ToldApart: r.ToldApart, Later: r.Later, Unknown: r.Unknown, Caveat: r.Caveat}
	words := func(list []sign) []string {
		out := []string{}
		for i, s := range list {
			if i < mostSigns {
				out = append(out, fmt.Sprintf("%s %+.1f sd, ratio %s", s.Finding, math.Round(10*float64(s.Sigmas))/10+0, ratioWords(float64(s.Ratio))))
			}
		}
		return out
	}
	for _, x := range r.Causes {
		c.List = append(c.List, dossier.Cause{Code: string(x.Code), Text: x.Text, Probability: x.Probability, Prior: x.Prior, Ratio: x.Ratio, For: words(x.For), Against: words(x.Against)})
	}
	if r.Next != nil {
		c.Next = &dossier.Next{Action: r.Next.Action, If: string(r.Next.If), Else: string(r.Next.Else)}
	}
	return c, nil
}
