package upkeep

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"time"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Station is what a Keeper needs of the station that runs; *runner.Runner is one.
type Station interface {
	Snapshot() station.Snapshot
	Append(record.Body) (record.Ref, error)
	Remark(station.Remark)
}

// Options are what a Keeper needs; see Rules.Keeper.
type Options struct {
	Store    *store.Store
	Station  Station
	Clock    *Clock
	Captures func(now time.Time) store.Retention
	Now      func() time.Time
	Logger   *slog.Logger
	Talk     io.Writer // is told what the screen would show; nil where there is one
}

// Keeper looks after a log. One goroutine uses it.
type Keeper struct {
	o       Options
	patrol  *store.Patrol
	told    map[store.Problem]bool
	removed time.Time // when captures were looked at last
	wrong   bool      // the clock is
}

// NewKeeper begins to look after a log.
func NewKeeper(o Options) *Keeper {
	o.Clock.log, o.Clock.reader = o.Station, &o.Store.Reader
	return &Keeper{o: o, patrol: o.Store.NewPatrol(), told: map[store.Problem]bool{}}
}

// Begin holds the clock against the log, before the station takes its first unit.
func (k *Keeper) Begin() error { return k.look() }

func (k *Keeper) look() error {
	if k.o.Clock.Last.IsZero() {
		return nil
	}
	r, err := k.o.Clock.look(k.o.Now())
	if err != nil {
		return fmt.Errorf("holding the clock against the log: %w", err)
	}
	if r.Clock != "" && !k.wrong || r.ClockFits {
		k.o.Station.Remark(r)
	}
	k.wrong = r.Clock != ""
	return nil
}

const (
	lookEvery   = time.Second
	removeEvery = time.Hour
	mostTold    = 20 // problems of a log; more say nothing new
)

// Serve looks after the log until ctx ends. What it cannot do it leaves for the
// next time, and says so to whoever mends the program.
func (k *Keeper) Serve(ctx context.Context) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	found, err := k.patrol.Seals()
	k.tell(found)
	k.complain(err)
	k.remove(k.o.Now()) // a batch has no pause
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			k.complain(k.look())
			if idle(k.o.Station.Snapshot()) {
				k.step(k.o.Now())
			}
		}
	}
}

// step does one piece of what can wait.
func (k *Keeper) step(now time.Time) {
	if now.Sub(k.removed) >= removeEvery || now.Before(k.removed) {
		k.remove(now)
	}
	if !k.patrol.Due(now) {
		return
	}
	found, over, err := k.patrol.Next(now)
	k.tell(found)
	k.complain(err)
	if over {
		k.o.Logger.Info("the log was read over")
	}
}

// remove removes the raw captures that need not be kept any more.
func (k *Keeper) remove(now time.Time) {
	k.removed = now
	keep := k.o.Captures(now)
	if keep == (store.Retention{}) {
		return
	}
	n, err := k.o.Store.RemoveCaptures(keep)
	if n > 0 {
		k.o.Logger.Info("raw captures removed", "files", n, "rule", keep.Rule)
	}
	k.complain(err)
}

// tell puts damage on record, once, and tells the people at the station.
func (k *Keeper) tell(found []store.Problem) {
	for i := range found {
		p := &found[i]
		if k.told[*p] || len(k.told) >= mostTold {
			continue
		}
		k.told[*p] = true
		k.o.Logger.Error("the log is damaged", "what", p.Error())
		if k.o.Talk != nil {
			fmt.Fprintf(k.o.Talk, "panecal: %s: %s %s\n", station.NoticeDamage, visible.Text(station.NoticeDamage.Say(station.Args{Detail: station.Verbatim(p.Error())})), station.NoticeDamage.Do(station.Args{}))
		}
		k.o.Station.Remark(station.Remark{Damage: p.Error()})
		k.complain(k.record(&record.LogDamage{File: p.File, Offset: p.Offset, Record: p.Record, Fault: string(p.Fault), What: p.What}))
	}
}

// record puts damage on record that is not there yet.
func (k *Keeper) record(d *record.LogDamage) error {
	known := false
	err := k.o.Store.Records(store.Kind, record.KindLogDamage.String(), func(e record.Entry) error {
		b, ok := e.Body.(*record.LogDamage)
		known = known || ok && *b == *d
		return nil
	})
	if known {
		return nil
	}
	if err != nil {
		k.complain(err) // damage may hide what is on record: say it again
	}
	_, err = k.o.Station.Append(d)
	return err
}

func (k *Keeper) complain(err error) {
	if err != nil {
		k.o.Logger.Error("looking after the log", "error", err)
	}
}

// idle says that no unit is being worked on.
func idle(s station.Snapshot) bool {
	return !slices.ContainsFunc(s.Nests, func(n station.NestView) bool {
		switch n.Step {
		case station.Opening, station.Vacant, station.Unlabelled, station.Turned, station.Rejecting, station.Stopped, station.Ended:
			return false
		}
		return true
	})
}
