package screen_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/shift"
)

// One unit's way, line by line.
func TestGoldenPlain(t *testing.T) {
	for _, ascii := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			g, box := new(glass), screen.NewMailbox()
			done := make(chan error, 1)
			go func() {
				done <- screen.RunPlain(t.Context(), screen.Options{Out: g, Snapshots: box, ASCII: ascii,
					Hints: []screen.Hint{{Label: label}, {Label: "HP54-000018-5", Note: "dirty window"}}})
			}()
			seat := call(with(bench(2), 0, station.Expected), 0, station.HandsSeat)
			empty := call(counting(bench(2), 0, station.EmptyCapture, 10), 0, station.HandsWait)
			more := call(counting(bench(2), 0, station.EmptyCapture, 60), 0, station.HandsWait)
			bad := call(with(bench(2), 0, station.Clearing), 0, station.HandsClear)
			bad.Messages = []station.Message{{At: noon, Nest: 0, Code: station.BadStray, Args: argsOf(0)}}
			target := call(counting(bench(2), 0, station.TargetCapture, 60), 0, station.HandsWait)
			target.Messages = bad.Messages
			verdict := bench(2)
			verdict.Messages = append(verdict.Messages, bad.Messages...)
			verdict = judged(verdict, 0, dirty, station.HandsFailed)
			verdict.Counters.Units++
			stopped := bench(2)
			stopped.Counters = verdict.Counters
			stopped.Messages = verdict.Messages
			stopped.Nests[1].Step = station.Stopped
			stopped.Stops = []station.Stop{{Nest: 1, Code: station.StopPort, Args: station.Args{Nest: "nest 2", Detail: station.Verbatim("no such file")}}}
			closed := stopped
			closed.Hands = station.Hands{Nest: station.NoNest, Code: station.HandsLeaving}
			closed.Closed = true
			for _, s := range []station.Snapshot{bench(2), seat, empty, more, bad, target, verdict, stopped, closed} {
				box.Put(s)
				synctest.Wait()
			}
			if err := <-done; err != nil {
				t.Error(err)
			}
			golden(t, fmt.Sprintf("plain-ascii-%v", ascii), g.since())
		})
	}
}

func TestPlainTakesLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in := "HP54-000017-7\n\x02HP54-000018-5\x03\r\n\nAB\x00CD\n\x1b[200~HP54-000019-3\x1b[201~\n" + strings.Repeat("A", 600) + "\nHP54-000020-1"
		ctx, cancel := context.WithCancel(t.Context())
		g := new(glass)
		var got []string
		done := make(chan error, 1)
		go func() {
			done <- screen.RunPlain(ctx, screen.Options{In: strings.NewReader(in), Out: g,
				Send: func(in shift.Input) { got = append(got, fmt.Sprintf("%d:%.13q", in.Kind, in.Text)) }})
		}()
		time.Sleep(time.Second)
		synctest.Wait()
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("ended with %v", err)
		}
		want := `[1:"HP54-000017-7" 1:"HP54-000018-5" 3:"" 2:"AB\x00CD" 1:"HP54-000019-3" 2:"AAAAAAAAAAAAA" 1:"HP54-000020-1"]`
		if fmt.Sprint(got) != want {
			t.Errorf("got  %v\nwant %v", got, want)
		}
		if out := g.since(); strings.Count(out, "cannot be read") != 2 || !strings.Contains(out, "control character 00: AB<00>CD") {
			t.Errorf("said %q", out)
		}
	})
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

func TestPlainTellsWhenItCannotWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		box := screen.NewMailbox()
		box.Put(bench(1))
		if err := screen.RunPlain(t.Context(), screen.Options{Out: broken{}, Snapshots: box}); !errors.Is(err, io.ErrClosedPipe) {
			t.Errorf("got %v", err)
		}
	})
}
