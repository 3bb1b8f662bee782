package screen_test

import (
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
)

// The question whether to leave is on the screen a silence and a frame after
// the key, in block letters too; unanswered it goes by itself.
func TestLeaveQuestionIsSeenAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := start(t.Context(), term.Colourless, nil)
		s.glass.since()
		if _, err := io.WriteString(s.keys, "\x11"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(screen.Silence + 5*time.Millisecond + 110*time.Millisecond)
		synctest.Wait()
		out := s.glass.since()
		if !strings.Contains(out, "Press Ctrl-Q again to leave.") || !letters(out, "CTRL-Q AGAIN") {
			t.Errorf("not seen: %q", out)
		}
		later := bench(3)
		later.At = noon.Add(9 * time.Second)
		s.box.Put(later)
		s.settle()
		if out := s.glass.since(); !letters(out, "SCAN THE") {
			t.Errorf("the question stands: %q", out)
		}
		s.key("\x11")
		if !s.running() {
			t.Fatal("a question that was withdrawn was answered")
		}
		s.key("\x11")
		if err := <-s.done; err != nil {
			t.Error(err)
		}
		s.keys.Close()
	})
}
