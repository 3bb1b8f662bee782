package limits_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/limits"
)

// What a revision changes is told as people say it, and nothing else.
func TestDifferences(t *testing.T) {
	text, err := os.ReadFile("../cmd/panecal/sample/hopper-54.limits.toml")
	if err != nil {
		t.Fatal(err)
	}
	read := func(edits ...string) *limits.File {
		s := string(text)
		for i := 0; i < len(edits); i += 2 {
			if !strings.Contains(s, edits[i]) {
				t.Fatalf("no %q", edits[i])
			}
			s = strings.Replace(s, edits[i], edits[i+1], 1)
		}
		f, err := limits.Read("l.toml", []byte(s))
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	extra := "[limit.\"leakage.distance\"]\nunit = \"mm\"\nhigh = 50\nhigh_bin = \"window_effect\"\nk = 0\n\n[limit.\"leakage.max\"]"
	for _, c := range []struct {
		edits []string
		want  []string
	}{
		{nil, nil},
		{[]string{"high = 0.012", "high = 0.010", "low = -25", "low = -30"}, []string{"leakage.max: the upper limit goes from 0.012 to 0.01, tighter", "offset.mean: the lower limit goes from -25 to -30, wider"}},
		{[]string{"typical = 0.003\n", "typical = 0.004\n", "k = 2", "k = 1"}, []string{"leakage.max: the guard factor goes from 2 to 1, wider", "leakage.max: the typical value goes from 0.003 to 0.004, for forecasts alone"}},
		{[]string{"[limit.\"leakage.max\"]", extra}, []string{"the limit of leakage.distance is new: high 50, k 0"}},
		{[]string{"priority = 1\n", "priority = 50\n"}, []string{"soft bin dirty_window: its priority goes from 1 to 50"}},
		{[]string{"first pilot lot", "second pilot lot"}, []string{`release.reason changes from "first pilot lot" to "second pilot lot"`}},
	} {
		got := limits.Differences(&read().Document, &read(c.edits...).Document)
		if !slices.Equal(got, c.want) {
			t.Errorf("%q:\n%s\nwant\n%s", c.edits, strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
	}
	// The other way round it is gone.
	if got := limits.Differences(&read("[limit.\"leakage.max\"]", extra).Document, &read().Document); !slices.Equal(got, []string{"the limit of leakage.distance is gone"}) {
		t.Errorf("%q", got)
	}
}
