package desk_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/limits/whatif"
	"example.org/panecal/store"
)

// The desk begins with what trying the same limits says, for any choice.
func TestDeskTries(t *testing.T) {
	dir, path := invented(t), candidate(t, "high = 0.012", "high = 0.0045")
	for _, flags := range []string{"", "--nest B --purpose production", "--on-hold --attempts all", "--since 2026-09-28T06:00:00Z"} {
		text, err := ask(t, dir, desk.NewTry, append([]string{path, "--json", "--sample", "300"}, strings.Fields(flags)...)...)
		if err != nil {
			t.Fatal(err)
		}
		var a whatif.Answer
		if err := json.Unmarshal([]byte(text), &a); err != nil {
			t.Fatal(err)
		}
		page, err := ask(t, dir, newDesk, append([]string{path, "--print", "limits", "--quantity", "leakage.max", "--size", "120x40", "--product", "hopper-54"}, strings.Fields(flags)...)...)
		if err != nil {
			t.Fatal(err)
		}
		want := []string{fmt.Sprintf("%d attempts", a.Attempts)}
		if n := len(a.Changed); n > 0 {
			want = append(want, fmt.Sprintf("%d change bin", n))
		} else {
			want = append(want, "no attempt changes bin")
		}
		want = append(want, strings.Fields(flags)...)
		for _, b := range a.After.Bins {
			want = append(want, fmt.Sprintf("%d %s ", b.SoftBin, b.Name))
		}
		for _, w := range want {
			if !strings.Contains(page, w) {
				t.Errorf("%s: %q is not on the page:\n%s", flags, w, page)
			}
		}
	}
}

// A choice without attempts, and a value that cannot be meant.
func TestDeskChooses(t *testing.T) {
	dir := invented(t)
	page, err := ask(t, dir, newDesk, "--print", "limits", "--nest", "no such nest")
	if err != nil || !strings.Contains(page, `--nest "no such nest"`) || !strings.Contains(page, " 0 attempts") {
		t.Errorf("%v\n%s", err, page)
	}
	for _, title := range []string{"yield", "groups", "check-units"} {
		if page, err := ask(t, dir, newDesk, "--print", title, "--nest", "Z"); err != nil || strings.Contains(page, "NaN") {
			t.Errorf("%s: %v\n%s", title, err, page)
		}
	}
	for _, args := range [][]string{{"--print", "limits", "--since", "soon"}, {"--print", "x"}, {"--print", "limits", "--size", "3"}, {"--quantity", "x"}} {
		if _, err := ask(t, dir, newDesk, args...); cli.ExitCode(err) != cli.ExitUsage {
			t.Errorf("%v: %v", args, err)
		}
	}
	if page, err := ask(t, dir, newDesk, "--print", "limits", "--until", "2001-01-01"); err != nil || !strings.Contains(page, " 0 attempts") {
		t.Errorf("a time without attempts: %v\n%s", err, page)
	}
}

// newDesk is the desk of a site in UTC.
func newDesk(open func() (*store.Follower, error)) *cobra.Command {
	return desk.New(open, func() *time.Location { return time.UTC })
}
