package central_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/central"
	"example.org/panecal/testdata/figures"
)

// line stands between a forwarder and the server, and is cut after so many bytes of
// what the forwarder says; a negative number lets all pass.
type line struct {
	listener net.Listener
	left     atomic.Int64
	all      sync.WaitGroup
}

func newLine(t *testing.T) *line {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	n := &line{listener: l}
	n.left.Store(-1)
	n.all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			n.all.Go(func() { n.serve(c) })
		}
	})
	t.Cleanup(func() { l.Close(); n.all.Wait() })
	return n
}

func (n *line) serve(c net.Conn) {
	defer c.Close()
	s, err := net.Dial("unix", filepath.Join(server.Folder(), ".s.PGSQL.5432"))
	if err != nil {
		return
	}
	defer s.Close()
	n.all.Go(func() { _, _ = io.Copy(c, s); c.Close() })
	buffer := make([]byte, 4096)
	for {
		k, err := c.Read(buffer)
		if left := n.left.Load(); left >= 0 {
			if int64(k) > left {
				k, err = int(left), io.EOF
			}
			n.left.Add(-int64(k))
		}
		if _, werr := s.Write(buffer[:k]); err != nil || werr != nil {
			return
		}
	}
}

func (n *line) url(db string) string {
	return fmt.Sprintf("postgres://owner@%s/%s", n.listener.Addr(), db)
}

// grown is a station whose log grows during the test, on a clock that may jump.
type grown struct {
	name, dir string
	log       *store.Store
	records   int
	now       time.Time
}

// TestFaults has one thing after the other go wrong while two stations are carried, and
// holds the history against their logs after each. The first faults of the long proof
// are in every run.
func TestFaults(t *testing.T) {
	db, at := history(t)
	most := 9
	if os.Getenv("PANECAL_CENTRAL") == "full" {
		most = 200
	}
	const seed = 16
	t.Logf("seed %d, %d faults", seed, most)
	random := rand.New(rand.NewPCG(seed, 0))
	way := newLine(t)
	through := target(t, way.url(db))
	var stations []*grown
	for _, name := range []string{"S6", "S7"} {
		g := &grown{name: name, dir: filepath.Join(t.TempDir(), "store"), now: began}
		options := store.Options{Station: name, Now: func() time.Time { return g.now }}
		if err := store.Create(g.dir, options); err != nil {
			t.Fatal(err)
		}
		var err error
		if g.log, err = store.Open(g.dir, options); err != nil {
			t.Fatal(err)
		}
		defer g.log.Close()
		stations = append(stations, g)
	}
	// try steps until there is nothing to carry, or trouble.
	try := func(ctx context.Context, f *central.Forwarder) error {
		for {
			p, err := f.Step(ctx)
			if err != nil || p.Sent == 0 && p.Lag() == 0 {
				return err
			}
		}
	}
	faults := []struct {
		name string
		do   func(g *grown)
	}{
		{"forwarder killed", func(g *grown) {
			way.left.Store(random.Int64N(60_000))
			f := forwarder(t, through, follow(t, g.dir))
			_ = try(t.Context(), f) // cut anywhere, and never heard of again
			way.left.Store(-1)
		}},
		{"network lost", func(g *grown) {
			f := forwarder(t, through, follow(t, g.dir))
			for range 3 {
				way.left.Store(random.Int64N(30_000))
				_ = try(t.Context(), f)
			}
			way.left.Store(-1)
			if err := try(t.Context(), f); err != nil {
				t.Errorf("the same forwarder, when the network is back: %v", err)
			}
		}},
		{"older backup", func(g *grown) { older(t, db, g.name, 1+random.IntN(g.records)) }},
		{"two forwarders", func(g *grown) {
			var both sync.WaitGroup
			var errs [2]error
			for i := range errs {
				f := forwarder(t, at, follow(t, g.dir))
				both.Go(func() { errs[i] = try(t.Context(), f) })
			}
			both.Wait()
			if err := errors.Join(errs[:]...); err != nil {
				t.Error(err)
			}
		}},
		{"clock jump", func(g *grown) { g.now = g.now.Add(time.Duration(random.IntN(40_000)-20_000) * time.Minute) }},
		{"disk full", func(g *grown) {
			// The engine says what it says when its disk is full, at some row of a batch.
			table := []string{"records", "attempts", "dispositions", "batches"}[random.IntN(4)]
			server.SQL(t, db, fmt.Sprintf(`create or replace function panecal.full() returns trigger language plpgsql as $$ begin
				if random() < 0.2 then raise exception 'no space left on device' using errcode = '53100'; end if; return new; end $$;
				create trigger full_disk before insert on panecal.%s for each row execute function panecal.full()`, table))
			f := forwarder(t, at, follow(t, g.dir))
			err := try(t.Context(), f)
			if err != nil && !strings.Contains(err.Error(), "no space left") {
				t.Errorf("the disk is full: %v", err)
			}
			server.SQL(t, db, "drop trigger full_disk on panecal."+table)
		}},
		{"server restarted", func(g *grown) {
			f := forwarder(t, at, follow(t, g.dir))
			if err := server.Stop("fast"); err != nil {
				t.Fatal(err)
			}
			if err := try(t.Context(), f); err == nil {
				t.Error("carried to a server that is down")
			}
			if err := server.StartAgain(); err != nil {
				t.Fatal(err)
			}
			if err := try(t.Context(), f); err != nil {
				t.Errorf("the same forwarder, when the server is back: %v", err)
			}
		}},
		{"server killed", func(g *grown) {
			f := forwarder(t, at, follow(t, g.dir))
			var beside sync.WaitGroup
			beside.Go(func() { _ = try(t.Context(), f) })
			if err := server.Kill(); err != nil {
				t.Fatal(err)
			}
			beside.Wait()
		}},
	}
	compared := 0
	done := map[string]int{}
	for k := range most {
		fault := faults[k%len(faults)]
		for _, g := range stations {
			for range 10 + random.IntN(50) {
				g.now = g.now.Add(time.Duration(1+random.IntN(5_000)) * time.Millisecond)
				if _, err := g.log.Append(grow(g.records)); err != nil {
					t.Fatal(err)
				}
				g.records++
			}
		}
		fault.do(stations[random.IntN(len(stations))])
		done[fault.name]++
		for _, g := range stations {
			carry(t, forwarder(t, at, follow(t, g.dir)))
			n := same(t, server.URL(db, "owner"), g.dir)
			if n != g.records {
				t.Fatalf("after fault %d, %s: %d records of %d", k+1, fault.name, n, g.records)
			}
			compared += n
		}
	}
	t.Log(done)
	figures.Tell(t, "central.faults", most, "faults", fmt.Sprint(most), len(done) == len(faults) || most < len(faults))
	figures.Tell(t, "central.compared", compared, "records", ">0", compared > 0)
	figures.Kept(t, "central.faults")
}
