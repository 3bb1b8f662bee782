package runner_test

import (
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/store/record"
)

// TestOneWayIntoTheLog: what the log does not acknowledge is given once more,
// before anything else, whoever gave it; what fails twice has failed.
func TestOneWayIntoTheLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var order []string
		failures := map[string]int{"once": 1, "twice": 2}
		log := &memory{}
		log.fail = func(b record.Body) error {
			n, ok := b.(*record.Note)
			if !ok {
				return nil
			}
			mu.Lock()
			order = append(order, n.Text)
			failing := failures[n.Text] > 0
			failures[n.Text]--
			mu.Unlock()
			time.Sleep(time.Second) // room for the others
			if failing {
				return errors.New("the disk does not say")
			}
			return nil
		}
		b := start(t, rigging{product: "hopper-1", log: log})
		var given sync.WaitGroup
		errs := make([]error, 3)
		for i, text := range []string{"once", "twice", "well"} {
			given.Go(func() { _, errs[i] = b.runner.Append(&record.Note{Serial: "A", By: "op-1", Text: text}) })
		}
		given.Wait()
		for i := 0; i < len(order); i++ {
			if text := order[i]; text != "well" {
				if i++; i == len(order) || order[i] != text {
					t.Errorf("given in the order %v: something came between", order)
				}
			}
		}
		if errs[0] != nil || errs[1] == nil || errs[2] != nil || len(order) != 5 {
			t.Errorf("%v, given %v", errs, order)
		}
		var kept []string
		for _, e := range log.all() {
			if n, ok := e.Body.(*record.Note); ok {
				kept = append(kept, n.Text)
			}
		}
		if len(kept) != 2 || fmt.Sprint(kept) != "[once well]" && fmt.Sprint(kept) != "[well once]" {
			t.Errorf("on record %v", kept)
		}
		if err := b.finish(); err != nil {
			t.Error(err)
		}
	})
}
