package screen

import (
	"strings"

	"github.com/charmbracelet/x/ansi"

	"example.org/panecal/limits/visible"
)

// width is how many cells s takes. What is made of letters of Europe and of the
// pieces that boxes are made of is counted; all else is looked up, character by
// character as people see them.
func width(s string) int {
	n := 0
	for _, r := range s {
		switch {
		case r >= ' ' && r <= '~', r > 0xA0 && r <= 0x24F && r != 0xAD, r >= 0x2500 && r <= 0x259F:
			n++
		default:
			return ansi.StringWidth(s)
		}
	}
	return n
}

// wrap breaks s into lines of at most w cells, at spaces where it can: the
// hyphens of a label are no place to break.
func wrap(s string, w int) []string {
	var lines []string
	line, long := "", 0 // and its width
	for _, word := range strings.Fields(s) {
		if line != "" && long+1+width(word) <= w {
			line, long = line+" "+word, long+1+width(word)
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for width(word) > w {
			head := ansi.Truncate(word, w, "")
			if head == "" { // not even one character
				head = word
			}
			lines = append(lines, head)
			word = word[len(head):]
		}
		line, long = word, width(word)
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// shorten cuts s at its end to at most w cells and marks the cut.
func shorten(s string, w int, ascii bool) string {
	if width(s) <= w {
		return s
	}
	mark := ellipsis(ascii)
	if w <= width(mark) {
		return ""
	}
	return strings.TrimRight(ansi.Truncate(s, w-width(mark), ""), " ") + mark
}

// squeeze cuts s in its middle to at most w cells: both ends of a label tell
// more than its middle.
func squeeze(s string, w int, ascii bool) string {
	s = visible.Text(s)
	if width(s) <= w {
		return s
	}
	mark := ellipsis(ascii)
	keep := w - width(mark)
	if keep < 2 {
		return shorten(s, w, ascii)
	}
	head := ansi.Truncate(s, keep/2, "")
	return head + mark + ansi.TruncateLeft(s, width(s)-(keep-width(head)), "")
}

func ellipsis(ascii bool) string {
	if ascii {
		return ".."
	}
	return "…"
}
