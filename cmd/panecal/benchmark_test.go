//go:build linux

package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
)

// roundsPerOp is how many units each nest runs in one operation of the
// benchmarks: one alone says little.
const roundsPerOp = 4

const benchmarkSeed = 7000

// BenchmarkUnit takes hopper-54 units over a real serial line of 921,600 Bd
// with 16 ms turnaround, one after the other, and tells what the station adds
// to capture and transfer:
//
//	station-ms/unit    from the unit's first answer to its verdict, less the time in
//	                   which a request was unanswered, a capture ran or hands were at work
//	verdict-ms/unit    of this, from the last byte of the verify capture on
//	syncs/verdict      frames made durable in that time, one sync each
//	log-ms/verdict     what appending them took, packing and all
//	sync-ms/verdict    what writing and syncing as many bytes takes afterwards, by itself
//	released/unit      share of the units that passed; the others are in no figure
//
// Goals: station-ms/unit below 50; verdict-ms/unit at most 5 more than its
// syncs, which take something between sync-ms/verdict and log-ms/verdict.
func BenchmarkUnit(b *testing.B) {
	s := newLineStation(b, 1)
	var station, verdict, log, alone time.Duration
	units, released, appended := 0, 0, 0
	for b.Loop() {
		for range roundsPerOp {
			s.watch.clear()
			v := s.round()[0]
			units++
			if !v.Released() {
				b.Logf("%s: %s %s", v.Serial, v.Outcome, v.Code)
				continue
			}
			released++
			a := s.watch.account(b, v.at)
			station += a.station
			verdict += a.verdict
			log += a.log
			appended += len(a.sizes)
			alone += syncAlone(b, s.folder, a.sizes)
		}
	}
	n := float64(max(released, 1))
	ms := func(d time.Duration) float64 { return d.Seconds() * 1000 / n }
	b.Logf("units from seed %d on", benchmarkSeed+1)
	b.ReportMetric(ms(station), "station-ms/unit")
	b.ReportMetric(ms(verdict), "verdict-ms/unit")
	b.ReportMetric(float64(appended)/n, "syncs/verdict")
	b.ReportMetric(ms(log), "log-ms/verdict")
	b.ReportMetric(ms(alone), "sync-ms/verdict")
	b.ReportMetric(float64(released)/float64(units), "released/unit")
}

// BenchmarkFourNests takes hopper-54 units in four nests at once over such
// lines; the units are another process. It tells the station's share of a
// core, user and system, and the most anonymous memory that it had.
//
// Goals: below 0.5 cores and 50 MB.
func BenchmarkFourNests(b *testing.B) {
	const nests = 4
	s := newLineStation(b, nests)
	peak := watchMemory(b)
	units, released := 0, 0
	began, used := time.Now(), processorTime(b)
	for b.Loop() {
		for range roundsPerOp {
			for _, v := range s.round() {
				units++
				if v.Released() {
					released++
				} else {
					b.Logf("%s: %s %s", v.Serial, v.Outcome, v.Code)
				}
			}
		}
	}
	wall := time.Since(began)
	b.Logf("units from seed %d on", benchmarkSeed+1)
	b.ReportMetric((processorTime(b)-used).Seconds()/wall.Seconds(), "cores")
	b.ReportMetric((processorTime(b)-used).Seconds()*1000/float64(units), "cpu-ms/unit")
	b.ReportMetric(float64(peak())/1e6, "anon-MB")
	b.ReportMetric(float64(units)/wall.Hours(), "units/h")
	b.ReportMetric(float64(released)/float64(units), "released/unit")
}

// lineStation is a station as the program runs it, on real serial lines with
// simulated units in another process.
type lineStation struct {
	b        *testing.B
	runner   *runner.Runner
	watch    *stopwatch
	nests    *nestProcess
	folder   string
	verdicts chan shown
	units    int
}

type shown struct {
	station.Verdict
	at time.Time
}

func newLineStation(b *testing.B, nests int) *lineStation {
	b.Helper()
	s := &lineStation{b: b, watch: &stopwatch{}, nests: startNests(b, nests), folder: b.TempDir(), verdicts: make(chan shown, nests)}
	f := sampleFiles(b, "hopper-54", func(sheet *product.Sheet) {
		fixture := sheet.Nests[0]
		sheet.Nests = nil
		for i, port := range s.nests.ports {
			n := fixture
			n.Name, n.Port, n.LightGroup = fmt.Sprint(i+1), port, fmt.Sprint(i+1)
			sheet.Nests = append(sheet.Nests, n)
		}
	})
	log, err := os.Create(filepath.Join(s.folder, "panecal.log"))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { log.Close() })
	records := newStore(b, filepath.Join(s.folder, "store"), f.Sheet.Station)
	s.runner, err = runner.New(station.Config{
		Station: f.Sheet.Station, Purpose: station.Production, Files: f, Software: version, HandsTime: time.Minute,
	}, runner.Options{
		Dial: timedDialer{s.watch, f.Product.Line}, Log: timedLog{records, s.watch}, Past: records,
		OnVerdict: func(v station.Verdict) { s.verdicts <- shown{v, time.Now()} },
		Logger:    slog.New(slog.NewJSONHandler(log, nil)),
	})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancelCause(b.Context())
	over := make(chan error, 1)
	go func() { over <- s.runner.Run(ctx) }()
	b.Cleanup(func() {
		cancel(errors.New("the benchmark is over"))
		if err := <-over; err != nil {
			b.Error(err)
		}
	})
	return s
}

// round gives each nest a unit and returns when all have been taken out.
func (s *lineStation) round() []shown {
	s.b.Helper()
	s.await("an empty nest", func() bool {
		for _, n := range s.runner.Snapshot().Nests {
			if n.Step != station.Vacant {
				return false
			}
		}
		return true
	})
	nests := len(s.nests.ports)
	for i := range nests {
		s.units++
		s.runner.Scan(i, s.nests.seat(s.b, i, s.units))
	}
	var all []shown
	s.await("a verdict", func() bool {
		for len(s.verdicts) > 0 {
			all = append(all, <-s.verdicts)
		}
		return len(all) == nests
	})
	for i := range nests {
		s.nests.seat(s.b, i, 0)
	}
	return all
}

func (s *lineStation) await(what string, there func() bool) {
	s.b.Helper()
	for limit := time.Now().Add(time.Minute); !there(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			s.b.Fatalf("no %s: %+v", what, s.runner.Snapshot())
		}
	}
}

// syncAlone is how long it takes to write and sync so many bytes.
func syncAlone(b *testing.B, folder string, sizes []int) time.Duration {
	b.Helper()
	f, err := os.CreateTemp(folder, "sync")
	if err != nil {
		b.Fatal(err)
	}
	defer os.Remove(f.Name())
	defer f.Close()
	began := time.Now()
	for _, n := range sizes {
		if _, err := f.Write(make([]byte, n)); err != nil {
			b.Fatal(err)
		}
		if err := f.Sync(); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(began)
}

// processorTime is what this process has used, user and system.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// watchMemory looks at the anonymous memory of this process ten times a
// second; what it returns gives the most that it saw, in bytes.
func watchMemory(b *testing.B) func() int64 {
	b.Helper()
	var peak atomic.Int64
	look := func() {
		status, err := os.ReadFile("/proc/self/status")
		if err != nil {
			b.Error(err)
			return
		}
		_, after, _ := strings.Cut(string(status), "RssAnon:")
		kb, err := strconv.ParseInt(strings.Fields(after)[0], 10, 64)
		if err != nil {
			b.Error(err)
			return
		}
		peak.Store(max(peak.Load(), kb*1024))
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				look()
			case <-stop:
				return
			}
		}
	}()
	return func() int64 {
		close(stop)
		<-stopped
		look()
		return peak.Load()
	}
}
