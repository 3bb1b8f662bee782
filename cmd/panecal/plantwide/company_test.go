package plantwide_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/history"
	"example.org/panecal/store"
	"example.org/panecal/store/central"
	"example.org/panecal/testdata/figures"
)

// TestCompany drains the backlog of many stations with 20 forwarders at once, and holds
// each log against the history. PANECAL_STATIONS and PANECAL_BACKLOG, attempts a
// station, set the size of the long proof: 500 and 300 are a company after 8 hours.
func TestCompany(t *testing.T) {
	stations, backlog, forwarders := 4, 25, 3
	if os.Getenv("PANECAL_CENTRAL") == "full" {
		stations, backlog, forwarders = 500, 300, 20
		for name, n := range map[string]*int{"PANECAL_STATIONS": &stations, "PANECAL_BACKLOG": &backlog} {
			if text := os.Getenv(name); text != "" {
				var err error
				if *n, err = strconv.Atoi(text); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	url, _, server := plant(t, 0)
	at, err := central.Parse(url)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := central.Maintain(t.Context(), at, time.Now()); err != nil {
		t.Fatal(err)
	}
	base := t.TempDir()
	files := sample(t)
	dir := func(i int) string { return filepath.Join(base, fmt.Sprintf("S%03d", i), "store") }
	for i := range stations {
		o := history.Options{Store: dir(i), Station: fmt.Sprintf("S%03d", i), Attempts: backlog, Days: 1, Seed: uint64(i), Files: files}
		if err := os.MkdirAll(filepath.Dir(o.Store), 0o750); err != nil {
			t.Fatal(err)
		}
		if _, err := history.Write(t.Context(), o); err != nil {
			t.Fatal(err)
		}
	}
	next := make(chan int, stations)
	for i := range stations {
		next <- i
	}
	close(next)
	var all sync.WaitGroup
	errs := make([]error, forwarders)
	sent := make([]int, forwarders)
	began := time.Now()
	for k := range forwarders {
		all.Go(func() {
			for i := range next {
				n, err := drain(t, at, dir(i))
				sent[k] += n
				errs[k] = errors.Join(errs[k], err)
			}
		})
	}
	all.Wait()
	took := time.Since(began)
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	records := 0
	for _, n := range sent {
		records += n
	}
	differ := 0
	for i := range stations {
		log, err := store.Follow(dir(i), "")
		if err != nil {
			t.Fatal(err)
		}
		c, err := central.Compare(t.Context(), at, log)
		if err != nil {
			t.Fatal(err)
		}
		if c.Incident != nil || uint64(c.Records) != c.Head.Sequence {
			differ++
		}
		if err := log.Close(); err != nil {
			t.Fatal(err)
		}
	}
	held := server.SQL(t, "t1", "select count(*) from panecal.attempts")
	attempts := stations * backlog
	figures.Tell(t, "central.company.attempts", held, "attempts", fmt.Sprint(attempts), held == fmt.Sprint(attempts))
	figures.Tell(t, "central.company.differ", differ, "stations", "0", differ == 0)
	figures.Tell(t, "central.company.drained", fmt.Sprintf("%.1f", took.Seconds()), "s", "printed", true)
	figures.Tell(t, "central.company.rate", int(float64(attempts)/took.Seconds()), "attempts/s", "printed", true)
	size := server.SQL(t, "t1", "select sum(pg_total_relation_size(oid)) from pg_class where relnamespace = 'panecal'::regnamespace and relkind = 'r'")
	if bytes, err := strconv.Atoi(strings.TrimSpace(size)); err == nil {
		figures.Tell(t, "central.company.size", bytes/attempts, "B/attempt", "printed", true)
	}
	t.Logf("%d records", records)
}

// drain carries one log, as a forwarder does that is started for it.
func drain(t *testing.T, at *central.Target, dir string) (sent int, err error) {
	log, err := store.Follow(dir, "")
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, log.Close()) }()
	f, err := central.NewForwarder(at, log, "test")
	if err != nil {
		return 0, err
	}
	defer f.Close()
	for {
		p, err := f.Step(t.Context())
		if err != nil || p.Sent == 0 && p.Lag() == 0 {
			return sent, err
		}
		sent += p.Sent
	}
}
