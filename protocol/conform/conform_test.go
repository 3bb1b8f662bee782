package conform_test

import (
	"context"
	"net"
	"os"
	"strings"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/simunit"
)

// bench puts the simulated unit under the run's hands.
type bench struct{ u *simunit.Unit }

func (b bench) Power(on bool) error {
	if on && !b.u.Seated() {
		b.u.Seat(simunit.Seating{})
	} else if !on {
		b.u.TakeOut()
	}
	return nil
}
func (b bench) CutAt(n int) (bool, error) { return b.u.CutAt(n), nil }
func (b bench) Fault(bits uint32) error   { b.u.Malfunction(bits); return nil }
func (b bench) Damage() error             { b.u.Damage(); return nil }
func (b bench) Light() (bool, error)      { return b.u.EmitterOn(), nil }

var console = simunit.Console{Open: "~panecal open\r", Close: "~panecal close\r", Banner: "hopper boot, 3 zones\r\n> "}

// small is a unit with everything, few enough zones for many runs.
func small() simunit.Model {
	m := simunit.Hopper54()
	m.Rows, m.Cols, m.Ux, m.Uy = 1, 3, []float64{-0.1, 0, 0.1}, []float64{0, 0, 0}
	m.CountBits = 16
	return m
}

// try runs the whole specification against a unit, in virtual time.
func try(t *testing.T, m simunit.Model, o simunit.Options) *conform.Report {
	t.Helper()
	return tryWith(t, m, o, func(u *simunit.Unit) conform.Bench { return bench{u} }, nil)
}

// tryWith puts something between the run and the unit, and tries only the
// clauses named.
func tryWith(t *testing.T, m simunit.Model, o simunit.Options, b func(*simunit.Unit) conform.Bench,
	between func(far net.Conn, u *simunit.Unit) net.Conn, only ...string) *conform.Report {
	t.Helper()
	report, err := tryTold(t, m, o, b, between, nil, only...)
	if err != nil {
		t.Log(err)
	}
	return report
}

// tryTold hears what the run says meanwhile, too, and how it ended.
func tryTold(t *testing.T, m simunit.Model, o simunit.Options, b func(*simunit.Unit) conform.Bench,
	between func(far net.Conn, u *simunit.Unit) net.Conn, talk func(string), only ...string) (*conform.Report, error) {
	t.Helper()
	u, err := simunit.New(m, 3, o)
	if err != nil {
		t.Fatal(err)
	}
	u.SetScene(simunit.Scene{TargetMM: 300, Reflectance: 0.5})
	near, far := net.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- u.Serve(ctx, far) }()
	defer func() {
		cancel()
		<-done
		near.Close()
		far.Close()
	}()
	port := near
	if between != nil {
		port = between(near, u)
		defer port.Close()
	}
	return conform.Run(t.Context(), conform.Options{Port: port, OpenText: o.Console.Open, CloseText: o.Console.Close,
		Bench: b(u), Seed: 1, Only: only, Talk: talk})
}

func TestGoUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		whole := conform.Merge(
			try(t, small(), simunit.Options{Console: console}),
			try(t, simunit.Hopper1(), simunit.Options{}))
		if !whole.OK() || whole.Untried > 0 {
			whole.WriteText(os.Stdout)
			t.Errorf("%d clauses failed, %d were not tried", whole.Failed, whole.Untried)
		}
	})
}

// TestEveryClause: what SPEC.md asks for is tried, or says that it cannot be.
func TestEveryClause(t *testing.T) {
	covered := conform.Covered()
	for _, c := range conform.Clauses() {
		free := c.Inside || c.Note
		switch asks := strings.Contains(c.Text, "shall"); {
		case c.Note && asks:
			t.Errorf("clause %s asks for something and is marked as a note", c.Number)
		case free && covered[c.Number]:
			t.Errorf("clause %s is tried, and says that it cannot be", c.Number)
		case !free && !covered[c.Number]:
			t.Errorf("clause %s has no check: %s", c.Number, c.Text)
		}
		delete(covered, c.Number)
	}
	for n := range covered {
		t.Errorf("a check is for clause %s, which SPEC.md does not have", n)
	}
}
