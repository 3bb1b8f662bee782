package history

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/papers"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// line is the plant's line while its history is made.
type line struct {
	o        *Options
	b        *store.Builder
	products []*series
	r        *rand.Rand // of the schedule
	truth    *truth
	bench    *bench

	attempts int // on record
	units    int // drawn
	written  int // blocks, for restarts
	common   []map[quantity.Name]float64

	day, shift int
	operator   string
	order      int // number of the work order
	left       int // units of it
	checks     []int
	again      []comeBack
	held       []*unit
	good       []*unit // released a while ago, for audits
	step       *record.Ref
	summary    Summary
}

// series is one product on the line.
type series struct {
	population *population
	files      *station.Files
	made       int
	sizes      [4]int // of the lots of units, windows, gaskets, emitters
	checks     []*unit
}

// comeBack is a unit that will be tried again.
type comeBack struct {
	u      *unit
	s      *series
	due    time.Time
	mended bool // by rework, which goes on record
}

const (
	shiftsADay = 2
	firstHour  = 6
	hours      = 16
)

// People of the plant, by pseudonym.
const (
	quality = "qa-2"
	lead    = "lead-1"
)

// operators are those of each shift.
func operators(shift int) [3]string {
	return [shiftsADay][3]string{{"op-11", "op-12", "op-13"}, {"op-21", "op-22", "op-23"}}[shift]
}

func newLine(o *Options, b *store.Builder, t *truth) (*line, error) {
	l := &line{o: o, b: b, r: stream(o.Seed, streamSchedule, 0), truth: t, day: -1, shift: -1,
		summary: Summary{Schema: Schema, Station: o.Station, Seed: o.Seed, Days: o.Days, Captures: o.Captures, Causes: Causes(),
			Outcomes: map[record.Outcome]int{}, Purposes: map[record.Purpose]int{}, Products: map[string]int{}, Bins: map[string]int{}, Limits: map[string]string{}}}
	for _, p := range []*population{hopper54(), hopper1()} {
		i := slices.IndexFunc(o.Files, func(f *station.Files) bool { return f.Product.Name == p.product })
		if i < 0 {
			return nil, fmt.Errorf("no files of the product %s", p.product)
		}
		s := &series{population: p, files: o.Files[i]}
		// Small histories have lots too, and bad ones among them.
		n := o.Attempts
		for k, size := range []int{200, 350, 900, 1200} {
			s.sizes[k] = max(8, min(size, n/(20-3*k)))
		}
		for k := range 2 {
			u, err := newUnit(o.Seed, p, -1-k, firstCheckUnit+k, lots{}, nil)
			if err != nil {
				return nil, err
			}
			if err := l.adjusted(s, u); err != nil {
				return nil, err
			}
			s.checks = append(s.checks, u)
		}
		l.products = append(l.products, s)
		l.summary.Limits[p.product] = s.files.Limits.Revision
	}
	for n := range o.Files[0].Sheet.Nests {
		r := stream(o.Seed, streamNest, n)
		m := map[quantity.Name]float64{}
		for _, p := range l.products {
			for _, s := range p.population.spreads {
				if s.common > 0 {
					m[s.name] = r.NormFloat64()
				}
			}
		}
		l.common = append(l.common, m)
	}
	if o.Captures > 0 {
		l.bench = &bench{}
	}
	return l, nil
}

// firstCheckUnit is above the serials of production.
const firstCheckUnit = 9900001

// adjusted makes a check unit one that was adjusted before, elsewhere.
func (l *line) adjusted(s *series, u *unit) error {
	u.causes, u.dead = nil, nil
	m := u.measure(&scene{dirt: 1, target: target(s.files, 0)}, stream(l.o.Seed, streamAttempt, u.index))
	b, err := s.files.Block(u.serial, u.of.rows, u.of.cols, m.constants)
	if err != nil {
		return err
	}
	b.Witness.Station, b.Witness.Generation, b.Witness.Sequence = "reference", 1, uint64(-u.index)
	raw, err := b.Marshal()
	if err != nil {
		return err
	}
	u.block, err = released(raw)
	return err
}

// target is what a record says of a nest's reference.
func target(f *station.Files, nest int) record.Target {
	n := f.Sheet.Nests[nest]
	due := ""
	if !n.Due.IsZero() {
		due = n.Due.UTC().Format(time.DateOnly)
	}
	return record.Target{Fixture: n.Fixture, DistanceMM: n.DistanceMM, DistanceUMM: n.DistanceUMM, Reflectance: n.Reflectance, Certificate: n.Certificate, Due: due, EndStop: n.EndStop}
}

// Append lets the released files put themselves on record.
func (l *line) Append(b record.Body) (record.Ref, error) { return l.b.Append(l.begins(), b) }

func (l *line) begins() time.Time {
	return l.o.End.AddDate(0, 0, -l.o.Days).Truncate(24 * time.Hour).Add(firstHour * time.Hour)
}

// work makes the whole history.
func (l *line) work(ctx context.Context) error {
	if err := papers.Catalogue(l.o.Files).PutOnRecord(l, nil); err != nil {
		return err
	}
	for i := 0; i < l.o.Attempts; {
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		day := int(int64(i) * int64(l.o.Days) / int64(l.o.Attempts))
		first, next := l.firstOf(day), l.firstOf(day+1)
		n := next - first
		at := l.begins().AddDate(0, 0, day).Add(time.Duration(float64(hours*time.Hour) * (float64(i-first) + 0.25) / float64(n)))
		room := min(time.Duration(float64(hours*time.Hour)/float64(n)*0.6), 32*time.Second)
		if err := l.clock(day, (i-first)*shiftsADay/n, at.Add(-room/10)); err != nil {
			return err
		}
		if err := l.next(at, room); err != nil {
			return err
		}
		i++
		if l.o.Progress != nil {
			l.o.Progress(i)
		}
	}
	end := l.begins().AddDate(0, 0, l.o.Days-1).Add(hours * time.Hour)
	ref, err := l.b.Append(end, &record.SignOn{Person: l.operator, Role: "operator", Method: "badge", Off: true})
	l.b.Shown(end)
	s := &l.summary
	s.From, s.To, s.Units, s.Records, s.Head = l.begins(), end, l.units, ref.Sequence, ref.Hash.String()
	return err
}

// firstOf is the first attempt of a day.
func (l *line) firstOf(day int) int {
	n, d := int64(l.o.Attempts), int64(l.o.Days)
	return int((int64(day)*n + d - 1) / d)
}

// clock begins days and shifts.
func (l *line) clock(day, shift int, at time.Time) error {
	if day == l.day && shift == l.shift {
		return nil
	}
	if l.operator != "" {
		if _, err := l.b.Append(at, &record.SignOn{Person: l.operator, Role: "operator", Method: "badge", Off: true}); err != nil {
			return err
		}
	}
	l.day, l.shift = day, shift
	l.operator = operators(shift)[l.r.IntN(3)]
	if _, err := l.b.Append(at.Add(time.Millisecond), &record.SignOn{Person: l.operator, Role: "operator", Method: "badge"}); err != nil {
		return err
	}
	if err := l.mend(at.Add(2 * time.Millisecond)); err != nil {
		return err
	}
	if err := l.decide(at.Add(3 * time.Millisecond)); err != nil {
		return err
	}
	l.checks = nil
	if perShift := l.o.Attempts / l.o.Days / shiftsADay; perShift >= 30 || shift == 0 && perShift >= 6 || l.o.Attempts/l.o.Days < 12 && day%7 == 0 && shift == 0 {
		for n := range l.products[0].files.Sheet.Nests {
			l.checks = append(l.checks, n)
		}
	}
	if l.left > 0 {
		return l.settings(at.Add(4 * time.Millisecond))
	}
	return nil
}

// current is the product of the work order: every fifth is for the small one.
func (l *line) current() *series { return l.products[b2i(l.order%5 == 4)] }

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (l *line) orderName() string { return fmt.Sprintf("WO-%05d", l.order) }

// settings puts on record what holds for the units that follow.
func (l *line) settings(at time.Time) error {
	s := l.current()
	p, lim, sheet := s.files.Revisions()
	of, _ := s.lots()
	b := &record.ShiftSettings{Shift: [...]string{"early", "late"}[l.shift], WorkOrder: l.orderName(), Lot: of.unit, Product: p, Limits: lim, Sheet: sheet, Operator: l.operator,
		Software: l.o.Software, Purpose: record.Production, Quantity: l.orderSize(), WindowLot: of.window, GasketLot: of.gasket, EmitterLot: of.emitter}
	for _, n := range s.files.Sheet.Nests {
		b.Nests = append(b.Nests, n.Name)
	}
	_, err := l.b.Append(at, b)
	return err
}

func (l *line) orderSize() int { return max(6, min(480, l.o.Attempts/25)) }

// lots are those of the next unit, with what is wrong with them.
func (s *series) lots() (of lots, bad []Cause) {
	k := [4]int{}
	for i, size := range s.sizes {
		k[i] = s.made / size
	}
	p := s.population.stem[:len(s.population.stem)-1]
	of = lots{fmt.Sprintf("%s-L%04d", p, 1+k[0]), fmt.Sprintf("%s-win-%04d", p, 1+k[1]), fmt.Sprintf("%s-gas-%04d", p, 1+k[2]), fmt.Sprintf("%s-emi-%04d", p, 1+k[3])}
	if k[1]%7 == 3 {
		bad = append(bad, WindowLot)
	}
	if k[2]%6 == 2 {
		bad = append(bad, GasketLot)
	}
	if k[3]%5 == 1 {
		bad = append(bad, EmitterLot)
	}
	return of, bad
}

// next is one attempt: of a check unit, of a unit that comes back, of one that
// was released, or of a new one.
func (l *line) next(at time.Time, room time.Duration) error {
	a := &attempt{at: at, room: room, purpose: record.Production, nest: l.r.IntN(len(l.common)), r: stream(l.o.Seed, streamAttempt, l.attempts)}
	real := l.bench != nil && l.attempts >= l.o.Attempts-l.o.Captures
	s := l.current()
	switch {
	case real:
		return l.measured(a)
	case len(l.checks) > 0:
		a.nest, l.checks = l.checks[0], l.checks[1:]
		a.purpose, a.u = record.CheckUnit, s.checks[(l.day*shiftsADay+l.shift)%len(s.checks)]
	case len(l.again) > 0 && !l.again[0].due.After(at):
		c := l.again[0]
		l.again = l.again[1:]
		return l.comesBack(a, c)
	case len(l.good) > 20 && l.r.Float64() < 0.003:
		a.purpose, a.u = record.Audit, l.good[l.r.IntN(len(l.good))]
		s = l.seriesOf(a.u)
	default:
		if l.left == 0 {
			l.order++
			l.left = l.orderSize()
			s = l.current()
			if err := l.settings(at.Add(-time.Millisecond)); err != nil {
				return err
			}
		}
		l.left--
		u, err := l.newUnit(s)
		if err != nil {
			return err
		}
		a.u = u
	}
	return l.once(a, s, l.fresh(a, s))
}

func (l *line) newUnit(s *series) (*unit, error) {
	of, bad := s.lots()
	s.made++
	l.units++
	u, err := newUnit(l.o.Seed, s.population, l.units, s.made, of, bad)
	if err != nil {
		return nil, err
	}
	u.order = l.orderName()
	return u, nil
}

func (l *line) seriesOf(u *unit) *series {
	return l.products[slices.IndexFunc(l.products, func(s *series) bool { return s.population == u.of })]
}

// fresh is what happens to a unit the first time, by chance.
func (l *line) fresh(a *attempt, s *series) []Cause {
	if a.purpose != record.Production {
		return nil
	}
	switch x := a.r.Float64(); {
	case x < 0.018:
		return []Cause{Fingerprint}
	case x < 0.026 && s.population.histograms:
		return []Cause{NotSeated}
	case x < 0.032:
		return []Cause{HandInField}
	case x < 0.0332:
		return []Cause{OperatorSkip}
	case x < 0.0337:
		return []Cause{UnitSilent}
	}
	return nil
}

// once carries an attempt out and arranges what follows from it.
func (l *line) once(a *attempt, s *series, happened []Cause) error {
	a.files = s.files
	a.scene = l.sceneOf(a, happened)
	if a.purpose == record.Production && len(happened) == 0 && a.r.Float64() < 0.001 {
		b := *a
		b.at = a.at.Add(-2 * time.Millisecond)
		if err := l.refuse(&b); err != nil {
			return err
		}
	}
	outcome, d, err := l.carryOut(a)
	if err != nil || a.purpose != record.Production {
		return err
	}
	u := a.u
	switch {
	case outcome == record.Passed:
		l.good = append(l.good, u)
		if len(l.good) > 200 {
			l.good = slices.Delete(l.good, 0, 100)
		}
		if a.r.Float64() < 0.0004 {
			return l.unmarked(a)
		}
	case outcome == record.Error || outcome == record.Aborted:
		l.again = append(l.again, comeBack{u: u, s: s, due: a.at.Add(time.Second)})
	case u.judged[record.Production] >= s.files.Product.Retest.MaxAttempts:
		l.held = append(l.held, u)
	case d == record.Rework:
		l.again = append(l.again, comeBack{u: u, s: s, due: a.at.Add(time.Duration(20+l.r.IntN(70)) * time.Minute), mended: true})
	case d == record.Hold:
		l.held = append(l.held, u)
	}
	slices.SortStableFunc(l.again, func(x, y comeBack) int { return x.due.Compare(y.due) })
	return nil
}

// comesBack is a retest.
func (l *line) comesBack(a *attempt, c comeBack) error {
	a.u = c.u
	var causes []Cause
	if c.mended {
		if _, err := l.b.Append(a.at.Add(-time.Millisecond), &record.ReworkDone{Attempt: c.u.last, Serial: c.u.serial, UnitID: c.u.id, Action: "window wiped, seat cleaned", By: l.operator}); err != nil {
			return err
		}
		if a.r.Float64() < 0.08 { // not well enough
			causes = []Cause{Fingerprint}
		}
	}
	return l.once(a, c.s, causes)
}

// The nest that steps and the one that creeps, as parts of the whole time.
const (
	stepNest, driftNest  = 1, 2
	stepFrom, stepTo     = 0.4, 0.55
	stepMM               = 1.2
	driftFrom, driftMost = 0.5, 1.5 // mm at the end
)

// sceneOf is what an attempt finds.
func (l *line) sceneOf(a *attempt, happened []Cause) scene {
	s := scene{dirt: 1, common: l.common[a.nest], target: target(a.files, a.nest), causes: slices.Clone(happened)}
	past := (float64(l.day) + float64(l.shift)/shiftsADay) / float64(l.o.Days)
	if a.nest == stepNest && past >= stepFrom && past < stepTo {
		s.shiftMM, s.causes = s.shiftMM+stepMM, append(s.causes, NestStep)
	}
	if a.nest == driftNest && past > driftFrom {
		s.shiftMM, s.causes = s.shiftMM+driftMost*(past-driftFrom)/(1-driftFrom), append(s.causes, NestDrift)
	}
	hour := float64(a.at.Hour()) + float64(a.at.Minute())/60
	s.warm = 1.2*math.Sin((hour-10)/24*2*math.Pi) + 0.3*a.r.NormFloat64()
	for _, c := range happened {
		switch c {
		case Fingerprint:
			s.dirt = 2.2 + 3*a.r.Float64()
		case NotSeated:
			s.tilt = 1.1 + 2.5*a.r.Float64()
			s.shiftMM += 4 * a.r.Float64()
		}
	}
	return s
}

// unmarked is a unit that passed and did not confirm its mark, until its next
// contact.
func (l *line) unmarked(a *attempt) error {
	at := a.at.Add(a.room)
	change := func(from, to record.Disposition, code station.Code, why string, at time.Time) error {
		_, err := l.b.Append(at, &record.DispositionChange{Attempt: a.u.last, Serial: a.u.serial, UnitID: a.u.id, From: from, To: to, Code: string(code), Why: why, By: "station"})
		return err
	}
	if err := change(record.Release, record.Hold, station.BrokenMark, "the unit does not answer", at); err != nil {
		return err
	}
	return change(record.Hold, record.Release, station.NoticeResolved, "released mark confirmed", at.Add(time.Millisecond))
}

// decide is what quality decides about units on hold, at the begin of a shift.
func (l *line) decide(at time.Time) error {
	for i, u := range l.held {
		to := record.Release
		switch x := l.r.Float64(); {
		case x < 0.4 || u.dead != nil:
			to = record.Scrap
		case x < 0.75:
			to = record.Hold
		}
		if to == record.Hold {
			continue
		}
		if _, err := l.b.Append(at.Add(time.Duration(i)*time.Microsecond), &record.DispositionChange{Attempt: u.last, Serial: u.serial, UnitID: u.id, From: u.lastAt, To: to,
			Code: "decision", Why: "decided by quality", By: quality}); err != nil {
			return err
		}
	}
	l.held = l.held[:0]
	return nil
}

// mend stops the nest that stepped when it is noticed, and lifts the stop.
func (l *line) mend(at time.Time) error {
	past := (float64(l.day) + float64(l.shift)/shiftsADay) / float64(l.o.Days)
	if past < stepTo || l.step != nil {
		return nil
	}
	nest := l.products[0].files.Sheet.Nests[stepNest].Name
	ref, err := l.b.Append(at, &record.Stop{Nest: nest, Code: string(station.StopOffset), Why: "equal shifts in a row", LiftBy: string(station.LiftLead)})
	if err != nil {
		return err
	}
	l.step = &ref
	_, err = l.b.Append(at.Add(500*time.Microsecond), &record.StopLifted{Stop: ref, Nest: nest, Code: string(station.StopOffset), By: lead, Method: "badge", Why: "target set back on its stop"})
	return err
}
