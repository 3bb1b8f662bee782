package cli

import (
	"bytes"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"
)

// helpWidth is how wide help may be: a terminal of 80 columns.
const helpWidth = 80

// FitHelp makes the help of a command, and of those below it, fit a terminal.
func FitHelp(root *cobra.Command) {
	whole := root.HelpFunc()
	root.SetHelpFunc(func(c *cobra.Command, args []string) {
		out := c.OutOrStdout()
		var b bytes.Buffer
		c.SetOut(&b)
		whole(c, args)
		c.SetOut(out)
		_, _ = out.Write([]byte(fit(b.String())))
	})
}

// fit breaks what is too long for a line: prose is filled anew, paragraph by
// paragraph; a command goes on after a backslash; what stands in a column goes on
// there.
func fit(help string) string {
	lines := strings.Split(help, "\n")
	var out []string
	for i := 0; i < len(lines); i++ {
		line := lines[i]
		if !strings.HasPrefix(line, " ") && line != "" {
			end, long := i, false
			for ; end < len(lines) && lines[end] != "" && !strings.HasPrefix(lines[end], " "); end++ {
				long = long || utf8.RuneCountInString(lines[end]) > helpWidth
			}
			if long {
				out = append(out, broken(strings.Join(lines[i:end], " "), 0, "")...)
			} else {
				out = append(out, lines[i:end]...)
			}
			i = end - 1
			continue
		}
		switch {
		case utf8.RuneCountInString(line) <= helpWidth:
			out = append(out, line)
		case strings.HasPrefix(line, "  panecal "):
			out = append(out, broken(line, 6, " \\")...)
		default:
			out = append(out, broken(line, column(line), "")...)
		}
	}
	return strings.Join(out, "\n")
}

// column is where the last column of a line begins, in characters.
func column(line string) int {
	words := strings.TrimLeft(line, " ")
	at := len(line) - len(words)
	if gap := strings.Index(words, "   "); gap >= 0 {
		at += gap + len(words[gap:]) - len(strings.TrimLeft(words[gap:], " "))
	}
	if at > helpWidth/2 {
		return 8
	}
	return at
}

// broken breaks a line between words; more ends all but the last part, which go on
// after indent blanks.
func broken(line string, indent int, more string) (parts []string) {
	room := helpWidth - len(more)
	for utf8.RuneCountInString(line) > helpWidth {
		first := len(line) - len(strings.TrimLeft(line, " "))
		cut := -1
		for at, n := 0, 0; at < len(line); n++ {
			_, w := utf8.DecodeRuneInString(line[at:])
			if line[at] == ' ' && at > first && n <= room && (len(parts) > 0 || at > indent) {
				cut = at
			}
			at += w
		}
		if cut < 0 {
			break // one word that is longer than a line
		}
		parts = append(parts, strings.TrimRight(line[:cut], " ")+more)
		line = strings.Repeat(" ", indent) + strings.TrimLeft(line[cut:], " ")
	}
	return append(parts, line)
}
