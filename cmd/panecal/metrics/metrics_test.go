package metrics_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"example.org/panecal/cmd/panecal/metrics"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// pages is a log in memory, that one goroutine reads while another adds to it.
type pages struct {
	mu   sync.Mutex
	list []record.Entry
}

func (p *pages) all() []record.Entry {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.list
}

func (p *pages) Head() (record.Ref, error) {
	if list := p.all(); len(list) > 0 {
		return list[len(list)-1].Ref, nil
	}
	return record.Ref{}, nil
}

func (p *pages) Get(r record.Ref) (record.Entry, error) { return p.all()[r.Sequence-1], nil }

func (p *pages) Since(r record.Ref, each func(record.Entry) error) error {
	for _, e := range p.all()[r.Sequence:] {
		if err := each(e); err != nil {
			return err
		}
	}
	return nil
}

func (p *pages) add(b record.Body) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.list = append(p.list, record.Entry{Ref: record.Ref{Station: "cal-1", Sequence: uint64(len(p.list) + 1)}, Time: time.Now(), Body: b})
}

func attempt(p record.Purpose, o record.Outcome, took time.Duration) *record.Attempt {
	return &record.Attempt{Run: record.Run{Purpose: p}, Outcome: o, Started: time.Now().Add(-took), Finished: time.Now()}
}

func newFile(t *testing.T, log *pages) (*metrics.File, metrics.Options) {
	t.Helper()
	o := metrics.Options{Path: filepath.Join(t.TempDir(), "panecal.prom"), Station: `S"1\`, Log: log, Free: func() (uint64, error) { return 5 << 30, nil },
		Snapshot: func() station.Snapshot {
			return station.Snapshot{Stops: []station.Stop{{}}, Counters: station.Counters{Checked: time.Unix(1_800_000_000, 0)}}
		}, Now: time.Now, Logger: slog.New(slog.DiscardHandler)}
	f, err := metrics.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return f, o
}

// parse reads the file as the library's own parser does.
func parse(t *testing.T, path string) map[string]*dto.MetricFamily {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasSuffix(data, []byte("\n# EOF\n")) || bytes.Count(data, []byte("# EOF")) != 1 {
		t.Errorf("OpenMetrics ends with # EOF:\n%s", data)
	}
	parser := expfmt.NewTextParser(model.UTF8Validation)
	all, err := parser.TextToMetricFamilies(bytes.NewReader(data))
	if err != nil {
		t.Fatalf("%v\n%s", err, data)
	}
	return all
}

// value is the one value of a family, or of the metric with that label.
func value(t *testing.T, all map[string]*dto.MetricFamily, name string, labels ...string) float64 {
	t.Helper()
	for _, m := range all[name].GetMetric() {
		text := ""
		for _, l := range m.Label {
			text += l.GetValue() + " "
		}
		fits := strings.Contains(text, `S"1\`)
		for _, l := range labels {
			fits = fits && strings.Contains(text, l)
		}
		if fits {
			return m.GetUntyped().GetValue() + m.GetGauge().GetValue() + m.GetCounter().GetValue() + float64(m.GetHistogram().GetSampleCount())
		}
	}
	t.Errorf("no %s with %q among %d families", name, labels, len(all))
	return -1
}

// TestFile: what is on record since the start is counted, and a parser that is not
// ours reads it; records from before the start are not.
func TestFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log pages
		log.add(attempt(record.Production, record.Failed, time.Minute))
		f, o := newFile(t, &log)
		log.add(attempt(record.Production, record.Passed, 25*time.Second))
		log.add(attempt(record.Production, record.Passed, 50*time.Second))
		log.add(attempt(record.CheckUnit, record.Passed, time.Second))
		log.add(&record.Stop{Code: "line"})
		for range 2 { // what was counted is not counted again
			if err := f.Write(); err != nil {
				t.Fatal(err)
			}
		}
		all := parse(t, o.Path)
		for name, want := range map[string]float64{
			"panecal_attempts_total production passed": 2, "panecal_attempts_total production failed": 0, "panecal_attempts_total check passed": 1,
			"panecal_stops_total line": 1, "panecal_stops_in_force": 1, "panecal_check_unit_passed_timestamp_seconds": 1_800_000_000,
			"panecal_disk_free_bytes": 5 << 30, "panecal_log_head_sequence": 5, "panecal_attempt_seconds": 2,
			"panecal_written_timestamp_seconds": float64(time.Now().Unix()), "panecal_log_head_timestamp_seconds": float64(time.Now().Unix()),
		} {
			words := strings.Fields(name)
			if got := value(t, all, words[0], words[1:]...); got != want {
				t.Errorf("%s is %v, want %v", name, got, want)
			}
		}
		h := all["panecal_attempt_seconds"].Metric[0].GetHistogram()
		if h.GetSampleSum() != 75 || h.Bucket[3].GetUpperBound() != 30 || h.Bucket[3].GetCumulativeCount() != 1 {
			t.Errorf("%v", h)
		}
	})
}

// TestServe: the file is new each minute, whole at every moment, and a folder that
// cannot be written hurts nobody and is tried again.
func TestServe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log pages
		f, o := newFile(t, &log)
		ctx, cancel := context.WithCancel(t.Context())
		over := make(chan error, 1)
		go func() { over <- f.Serve(ctx) }()
		synctest.Wait()
		first := value(t, parse(t, o.Path), "panecal_written_timestamp_seconds")
		time.Sleep(metrics.Every)
		synctest.Wait()
		if got := value(t, parse(t, o.Path), "panecal_written_timestamp_seconds"); got != first+60 {
			t.Errorf("written at %v, then at %v", first, got)
		}
		folder := filepath.Dir(o.Path)
		if err := os.Rename(folder, folder+"-away"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(metrics.Every)
		synctest.Wait()
		if len(over) != 0 {
			t.Fatal("it ended with its folder")
		}
		if err := os.Rename(folder+"-away", folder); err != nil {
			t.Fatal(err)
		}
		log.add(&record.Stop{Code: "line"})
		time.Sleep(metrics.Every)
		synctest.Wait()
		if got := value(t, parse(t, o.Path), "panecal_log_head_sequence"); got != 1 {
			t.Errorf("the head is %v", got)
		}
		entries, err := os.ReadDir(folder)
		if err != nil || len(entries) != 1 {
			t.Errorf("%v, %v", entries, err)
		}
		cancel()
		if err := <-over; err != nil {
			t.Error(err)
		}
	})
}

// TestExamine: doctor says it where the file cannot be written.
func TestExamine(t *testing.T) {
	folder := t.TempDir()
	if state, _, _ := metrics.Examine(filepath.Join(folder, "x.prom")); state != "ok" {
		t.Error(state)
	}
	for _, path := range []string{filepath.Join(folder, "none", "x.prom"), folder} {
		if state, text, mend := metrics.Examine(path); state != "bad" || text == "" || mend == "" {
			t.Errorf("%s: %s %s", path, state, text)
		}
	}
	if entries, err := os.ReadDir(folder); len(entries) != 0 || errors.Is(err, fs.ErrNotExist) {
		t.Errorf("left behind: %v", entries)
	}
	if state, _, _ := metrics.Examine(""); state != "" {
		t.Error(state)
	}
	if f, err := metrics.New(metrics.Options{}); f != nil || err != nil || f.Serve(t.Context()) != nil {
		t.Errorf("%v, %v", f, err)
	}
}
