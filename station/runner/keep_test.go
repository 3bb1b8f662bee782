package runner_test

import (
	"strings"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol/simunit"
)

// TestKeep: captures are durable long before the verdict waits for them, each
// once (the target twice: what the unit ranges by itself is a capture too); one
// that could not be kept in time is kept before the attempt's record.
func TestKeep(t *testing.T) {
	for _, c := range []struct {
		name   string
		refuse int
		want   string
	}{
		{"each as it comes", 0, "attempt intent, capture: empty, capture: target, capture: target, write intent, capture: verify, attempt"},
		{"late, each refused twice", 4, "attempt intent, capture: target, write intent, capture: verify, capture: empty, capture: target, attempt"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := start(t, rigging{product: "hopper-54"})
				b.log.refuse = c.refuse
				u := makeUnit(t, simunit.Hopper54(), 7, simunit.Options{})
				v, ok := b.calibrate(0, u, u.Serial())
				if !ok || !v.Released() {
					t.Fatalf("verdict %+v", v)
				}
				if got := strings.Join(b.log.order, ", "); got != c.want {
					t.Errorf("durable in the order %s, want %s", got, c.want)
				}
				var names []string
				for _, ref := range b.log.attempts()[0].Captures {
					names = append(names, ref.Name)
				}
				if got := strings.Join(names, " "); got != "empty target target verify" {
					t.Errorf("the record names %s", got)
				}
				if err := b.finish(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}
