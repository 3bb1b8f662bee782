package term

// A mark is a rune that stands for one raw byte of the terminal: U+E000 plus
// the byte, in the private-use area that no label uses. Marks carry control
// characters past the terminal library, which would take some of them for
// commands (0x03 for "quit") and drop others.
const (
	firstMark = 0xE000
	lastMark  = 0xE0FF
)

// Retract follows the mark of an escape that turned out, one read later, to
// begin a paste bracket: whoever collects marks forgets that escape.
const Retract rune = lastMark + 1

// Mark returns the rune that stands for the raw byte c.
func Mark(c byte) rune { return firstMark + rune(c) }

// Marked returns the byte that r stands for, and whether r is a mark.
func Marked(r rune) (byte, bool) {
	if r < firstMark || r > lastMark {
		return 0, false
	}
	return byte(r - firstMark), true
}
