// Package metrics keeps a text file with a station's figures for the plant's
// monitoring, in OpenMetrics form, rewritten whole each minute.
//
// It is for people who look after computers: the record of units is the log, and
// everything here is counted from it, since the start of the program. Labels are
// few and never name a unit or a person. One goroutine, that of [File.Serve], uses
// the file and the log; what cannot be written is told once and tried again. Times
// are the clock's of [Options], durations those of package time.
package metrics

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"

	"example.org/panecal/limits/guard"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// Log is what the figures are counted from; *store.Reader is one.
type Log interface {
	Head() (record.Ref, error)
	Get(record.Ref) (record.Entry, error)
	Since(record.Ref, func(record.Entry) error) error
}

// Options are what a File needs.
type Options struct {
	Path     string // of the file; "" for none
	Station  string
	Log      Log
	Free     func() (bytes uint64, err error)
	Snapshot func() station.Snapshot
	Now      func() time.Time
	Logger   *slog.Logger
}

// File is a station's figures. See the package comment.
type File struct {
	o    Options
	at   record.Ref // counted up to here
	last time.Time  // of the record there

	all      *prometheus.Registry
	attempts *prometheus.CounterVec
	seconds  prometheus.Histogram
	stops    *prometheus.CounterVec
	stopped  prometheus.Gauge
	checked  prometheus.Gauge
	free     prometheus.Gauge
	sequence prometheus.Gauge
	headTime prometheus.Gauge
	written  prometheus.Gauge
}

// Every is how often the file is written.
const Every = time.Minute

// New begins to count at the log's present end.
func New(o Options) (*File, error) {
	if o.Path == "" {
		return nil, nil
	}
	f := &File{o: o, all: prometheus.NewRegistry()}
	of := prometheus.Labels{"station": o.Station}
	gauge := func(name, help string) prometheus.Gauge {
		g := prometheus.NewGauge(prometheus.GaugeOpts{Name: name, Help: help, ConstLabels: of})
		f.all.MustRegister(g)
		return g
	}
	f.attempts = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "panecal_attempts_total", Help: "Attempts on record, by purpose and outcome.", ConstLabels: of}, []string{"purpose", "outcome"})
	f.stops = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "panecal_stops_total", Help: "Stops on record, by code.", ConstLabels: of}, []string{"code"})
	f.seconds = prometheus.NewHistogram(prometheus.HistogramOpts{Name: "panecal_attempt_seconds", Help: "Time that attempts in production took.", ConstLabels: of,
		Buckets: []float64{5, 10, 20, 30, 45, 60, 90, 120, 300, 600}})
	f.all.MustRegister(f.attempts, f.stops, f.seconds)
	for _, o := range []record.Outcome{record.Passed, record.Failed, record.Error, record.Aborted} {
		f.attempts.WithLabelValues(string(record.Production), string(o))
	}
	f.stopped = gauge("panecal_stops_in_force", "Stops of nests and of the station now.")
	f.checked = gauge("panecal_check_unit_passed_timestamp_seconds", "When a check unit passed last, 0 for never.")
	f.free = gauge("panecal_disk_free_bytes", "Free on the disk of the log.")
	f.sequence = gauge("panecal_log_head_sequence", "Number of the newest record.")
	f.headTime = gauge("panecal_log_head_timestamp_seconds", "When the newest record was made.")
	f.written = gauge("panecal_written_timestamp_seconds", "When this file was written.")
	gauge("panecal_start_timestamp_seconds", "When the station started.").Set(seconds(o.Now()))
	var err error
	if f.at, err = o.Log.Head(); err != nil {
		return nil, fmt.Errorf("counting for the metrics: %w", err)
	}
	if !f.at.IsZero() {
		e, err := o.Log.Get(f.at)
		if err != nil {
			return nil, fmt.Errorf("counting for the metrics: %w", err)
		}
		f.last = e.Time
	}
	return f, nil
}

func seconds(t time.Time) float64 {
	if t.IsZero() {
		return 0
	}
	return float64(t.UnixMilli()) / 1000
}

// Serve writes the file now and each minute until ctx ends.
func (f *File) Serve(ctx context.Context) error {
	if f == nil {
		return nil
	}
	tick := time.NewTicker(Every)
	defer tick.Stop()
	told := false
	for {
		err := f.Write()
		if err != nil && !told {
			f.o.Logger.Error("writing the metrics", "error", err)
		}
		told = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// Write counts what is new on record and rewrites the file.
func (f *File) Write() error {
	if err := f.o.Log.Since(f.at, f.count); err != nil {
		return fmt.Errorf("counting for the metrics: %w", err)
	}
	s := f.o.Snapshot()
	f.stopped.Set(float64(len(s.Stops)))
	f.checked.Set(seconds(s.Counters.Checked))
	f.sequence.Set(float64(f.at.Sequence))
	f.headTime.Set(seconds(f.last))
	f.written.Set(seconds(f.o.Now()))
	free, freeErr := f.o.Free()
	if freeErr == nil {
		f.free.Set(float64(free))
	}
	text, err := f.text()
	if err == nil {
		err = guard.Replace(f.o.Path, text, 0o644)
	}
	return errors.Join(err, freeErr)
}

func (f *File) count(e record.Entry) error {
	switch b := e.Body.(type) {
	case *record.Attempt:
		f.attempts.WithLabelValues(string(b.Run.Purpose), string(b.Outcome)).Inc()
		if b.Run.Purpose == record.Production {
			f.seconds.Observe(b.Finished.Sub(b.Started).Seconds())
		}
	case *record.Stop:
		f.stops.WithLabelValues(b.Code).Inc()
	}
	f.at, f.last = e.Ref, e.Time
	return nil
}

func (f *File) text() ([]byte, error) {
	families, err := f.all.Gather()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	out := expfmt.NewEncoder(&b, expfmt.NewFormat(expfmt.TypeOpenMetrics))
	for _, m := range families {
		if err := out.Encode(m); err != nil {
			return nil, err
		}
	}
	if end, ok := out.(expfmt.Closer); ok {
		err = end.Close()
	}
	return b.Bytes(), err
}

// Examine says whether the file can be written: "ok" or "bad", what is seen and what
// to do about it; state is "" where there is none.
func Examine(path string) (state, text, mend string) {
	if path == "" {
		return "", "", ""
	}
	probe, err := os.CreateTemp(filepath.Dir(path), ".panecal-*")
	if err == nil {
		err = errors.Join(probe.Close(), os.Remove(probe.Name()))
	}
	if i, e := os.Lstat(path); e == nil && !i.Mode().IsRegular() {
		err = fmt.Errorf("%s is no plain file", path)
	}
	if err != nil {
		return "bad", err.Error(), "let the station's account write in " + filepath.Dir(path)
	}
	return "ok", path, ""
}
