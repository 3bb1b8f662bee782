package upkeep

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

// The idle station finds damage in an older segment: it goes on record once, over
// rounds, and to the people.
func TestDamageIsSaidAndOnRecord(t *testing.T) {
	d := &desk{t: t, dir: filepath.Join(t.TempDir(), "store")}
	if err := store.Create(d.dir, store.Options{Station: "S1"}); err != nil {
		t.Fatal(err)
	}
	day := time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC)
	for n := range 3 {
		d.starts(day.Add(time.Duration(n) * time.Minute))
		d.ends()
	}
	name := filepath.Join(d.dir, "journal-00000002.seg")
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	whole[len(whole)-9] ^= 1
	var talk bytes.Buffer
	k := d.starts(day.Add(time.Hour))
	if err := os.WriteFile(name, whole, 0o640); err != nil {
		t.Fatal(err)
	}
	k.o.Talk, d.told = &talk, nil
	for range 2 {
		for k.patrol.Due(d.now) {
			k.step(d.now)
		}
		d.now = d.now.AddDate(0, 0, 2)
	}
	if len(d.told) != 1 || !strings.Contains(d.told[0].Damage, "journal-00000002.seg at byte") {
		t.Errorf("%+v", d.told)
	}
	if list, err := d.store.Positions(store.Kind, record.KindLogDamage.String()); err != nil || len(list) != 1 {
		t.Errorf("%d on record, %v", len(list), err)
	}
	d.ends()
	if !strings.HasPrefix(talk.String(), "panecal: log_damaged: The log is damaged: journal-00000002.seg") {
		t.Errorf("%q", &talk)
	}
}

// Serve reads while the nests are empty, not while a unit is in one, and removes
// what need not be kept.
func TestServeWaitsForAPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &desk{t: t, dir: filepath.Join(t.TempDir(), "store")}
		if err := store.Create(d.dir, store.Options{Station: "S1"}); err != nil {
			t.Fatal(err)
		}
		k := d.starts(time.Now())
		k.o.Now = time.Now
		ctx, end := context.WithCancel(t.Context())
		d.nests = []station.NestView{{Step: station.Recording}}
		over := make(chan error, 1)
		go func() { over <- k.Serve(ctx) }()
		time.Sleep(time.Minute)
		synctest.Wait()
		if !k.patrol.Due(time.Now()) {
			t.Error("read while a unit was made")
		}
		end()
		if err := <-over; err != nil {
			t.Error(err)
		}
		ctx, end = context.WithCancel(t.Context())
		d.nests[0].Step = station.Vacant
		go func() { over <- k.Serve(ctx) }()
		time.Sleep(time.Minute)
		end()
		if err := <-over; err != nil || k.patrol.Due(time.Now()) {
			t.Error("not read while nothing was to be done", err)
		}
		d.ends()
	})
}

// The keys of the configuration say what is kept.
func TestRetentionByTheKeys(t *testing.T) {
	now := time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC)
	if r := (Rules{}).Retention(now); r != (store.Retention{}) {
		t.Error(r)
	}
	r := Rules{keep: 48 * time.Hour, mb: 3}.Retention(now)
	if !r.Since.Equal(now.AddDate(0, 0, -2)) || r.Bytes != 3_000_000 || r.Rule != `keep_captures = "48h0m0s", keep_captures_mb = 3` {
		t.Errorf("%+v", r)
	}
}
