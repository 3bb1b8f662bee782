package conform_test

import (
	"bytes"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/simunit"
)

// byHand is a person who takes the power away when asked.
func byHand(u *simunit.Unit, asked *[]string) conform.Bench {
	return conform.AskingBench{Ask: func(sentence string) error {
		*asked = append(*asked, sentence)
		return bench{u}.Power(strings.Contains(sentence, "back"))
	}}
}

func TestPowerCutByHand(t *testing.T) {
	for name, c := range map[string]struct {
		flaw simunit.Flaw
		want conform.Outcome
	}{
		"a sound unit":                 {simunit.Sound, conform.Passed},
		"one that loses its constants": {simunit.FlawForgets, conform.Failed},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var asked []string
				hand := func(u *simunit.Unit) conform.Bench { return byHand(u, &asked) }
				report := tryWith(t, small(), simunit.Options{Flaw: c.flaw, Console: console}, hand, nil, "5.6.6", "7.6")
				if got := report.Of("5.6.6"); got.Outcome != c.want {
					t.Errorf("5.6.6: %s (%s)", got.Outcome, got.Why)
				}
				if got := report.Of("7.6"); got.Outcome != conform.NotTried || !strings.Contains(got.Why, "bench") {
					t.Errorf("7.6: %s (%s), and nobody can break the emitter by hand", got.Outcome, got.Why)
				}
				if len(asked) < 2 || len(asked)%2 != 0 {
					t.Errorf("asked %d times: %q", len(asked), asked)
				}
			})
		})
	}
}

func TestTextBench(t *testing.T) {
	var said bytes.Buffer
	b := conform.NewTextBench(strings.NewReader("ok\nok\nok 1\nok 0\nno\nok 1\nwhat?\n"), &said)
	power := errors.Join(b.Power(false), b.Power(true))
	cut, err1 := b.CutAt(0)
	none, err2 := b.CutAt(3)
	unable := b.Damage()
	light, err3 := b.Light()
	strange := b.Fault(3)
	_, gone := b.Light()
	if err := errors.Join(power, err1, err2, err3); err != nil || !cut || none || !light {
		t.Errorf("%v, cut %v %v, light %v", err, cut, none, light)
	}
	if !errors.Is(unable, conform.ErrUnable) || strange == nil || errors.Is(strange, conform.ErrUnable) || !errors.Is(gone, io.EOF) {
		t.Errorf("no: %v; nonsense: %v; nothing: %v", unable, strange, gone)
	}
	if want := "off\non\ncut 0\ncut 3\ndamage\nlight\nfault 3\nlight\n"; said.String() != want {
		t.Errorf("said %q", said.String())
	}
}

func TestMerge(t *testing.T) {
	report := func(unit string, outcomes ...conform.Outcome) *conform.Report {
		r := &conform.Report{Unit: unit}
		for i, o := range outcomes {
			r.Clauses = append(r.Clauses, conform.Result{Clause: string(rune('a' + i)), Outcome: o, Tries: 1})
		}
		return r
	}
	a := report("one", conform.Passed, conform.Passed, conform.NotTried, conform.NotTried, conform.Inside)
	b := report("two", conform.NotTried, conform.Failed, conform.Passed, conform.NotTried, conform.Inside)
	for _, whole := range []*conform.Report{conform.Merge(a, b), conform.Merge(b, a)} {
		var got []conform.Outcome
		for _, c := range whole.Clauses {
			got = append(got, c.Outcome)
		}
		if !slices.Equal(got, []conform.Outcome{conform.Passed, conform.Failed, conform.Passed, conform.NotTried, conform.Inside}) {
			t.Errorf("merged %v", got)
		}
		if whole.OK() || whole.Passed != 2 || whole.Failed != 1 || whole.Untried != 1 || whole.Clauses[1].Tries != 2 {
			t.Errorf("%+v", whole)
		}
	}
	var text strings.Builder
	if err := conform.Merge(a, b).WriteText(&text); err != nil || !strings.Contains(text.String(), "2 passed, 1 failed, 1 not tried") {
		t.Errorf("%v, %s", err, text.String())
	}
}
