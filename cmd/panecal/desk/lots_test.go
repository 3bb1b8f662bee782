package desk

import (
	"slices"
	"strings"
	"testing"
)

func TestGenealogy(t *testing.T) {
	g, err := parseGenealogy([]byte("\xef\xbb\xbfnote, Made_of ,ITEM\nx,glass-88,win-1\nx,glass-88,win-2\nx,sand-3,glass-88\nx,glass-88,sand-3\nx,win-1,H54-00001-O\nx,win-1,H54-00001-O\n"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ got, want []string }{
		{g.ancestors("H54-00001-O"), []string{"win-1", "glass-88", "sand-3"}},
		{g.ancestors("win-2", "win-1"), []string{"glass-88", "sand-3"}},
		{g.descendants("glass-88"), []string{"win-1", "win-2", "sand-3", "H54-00001-O"}}, // a circle ends
		{g.descendants("nothing"), nil},
	} {
		if !slices.Equal(c.got, c.want) {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
	for _, c := range []struct{ text, says string }{
		{"", "the file is empty"}, {"item,of\na,b\n", "must name the columns"}, {"item,made_of\na,b\nc,\n", "line 3"}, {"item,made_of\na\n", "line 2"}, {"item,made_of\n\"a,b\n", "line 2"},
	} {
		if _, err := parseGenealogy([]byte(c.text)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v, want %q", c.text, err, c.says)
		}
	}
}

// What people type of a serial: the check characters are those of ISO/IEC 7064 as
// package label has them.
func TestSerials(t *testing.T) {
	for _, c := range []struct{ typed, serial string }{
		{"H54-00001-O", "H54-00001-O"}, {"h54-00001-o", "H54-00001-O"}, {"H54-00001", "H54-00001-O"}, {"h54-00001-", "H54-00001-O"}, {"H1-00001", "H1-00001-F"},
	} {
		if list := Serials(c.typed); !slices.Contains(list, c.serial) {
			t.Errorf("%s may be one of %q, not %s", c.typed, list, c.serial)
		}
	}
	if list := Serials(""); list != nil {
		t.Errorf("nothing typed stands for %q", list)
	}
}
