package term_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"

	"example.org/panecal/limits/visible"
	"example.org/panecal/station/screen/term"
)

// pieces is a reader that hands out one piece a Read, as a terminal does.
type pieces [][]byte

func (p *pieces) Read(b []byte) (int, error) {
	if len(*p) == 0 {
		return 0, io.EOF
	}
	n := copy(b, (*p)[0])
	if (*p)[0] = (*p)[0][n:]; len((*p)[0]) == 0 {
		*p = (*p)[1:]
	}
	return n, nil
}

func split(parts ...string) *pieces {
	var p pieces
	for _, s := range parts {
		p = append(p, []byte(s))
	}
	return &p
}

// seen applies Retract as a collector does, and shows marks as their bytes.
func seen(out []byte) string {
	var runes []rune
	for _, r := range string(out) {
		if r == term.Retract {
			if n := len(runes); n > 0 && runes[n-1] == term.Mark(0x1B) {
				runes = runes[:n-1]
			}
			continue
		}
		runes = append(runes, r)
	}
	var b strings.Builder
	for _, r := range runes {
		if c, ok := term.Marked(r); ok {
			fmt.Fprintf(&b, "<%02X>", c)
		} else {
			b.WriteString(visible.Text(string(r)))
		}
	}
	return b.String()
}

func TestFilter(t *testing.T) {
	for _, c := range []struct {
		name string
		in   *pieces
		want string
	}{
		{"plain label and return", split("HP54-000017\r"), "HP54-000017<0D>"},
		{"frame of STX and ETX", split("\x02ABC\x03"), "<02>ABC<03>"},
		{"group separators survive", split("[)>\x1e06\x1dSABC\x1e\x04"), "[)><1E>06<1D>SABC<1E><04>"},
		{"tab, line feed, null, delete", split("A\tB\nC\x00D\x7f"), "A<09>B<0A>C<00>D<7F>"},
		{"paste brackets", split("\x1b[200~ABC\r\x1b[201~D"), "ABC<0D>D"},
		{"paste bracket without end", split("\x1b[200~ABC", "\r", "D"), "ABC<0D>D"},
		{"bracket split after the escape", split("\x1b", "[200~AB", "C"), "ABC"},
		{"bracket split after the escape and again", split("A\x1b", "[20", "0~B", "C"), "ABC"},
		{"bracket split in its middle", split("A\x1b[2", "00~BC"), "ABC"},
		{"bracket split before its end", split("A\x1b[201", "~BC"), "ABC"},
		{"looks like a bracket and is none", split("\x1b[20", "5~"), "<1B>[205~"},
		{"escape, later a bracket of its own", split("\x1b", "\x1b[200~A"), "<1B>A"},
		{"unfinished bracket at the end", split("\x1b[20"), "<1B>[20"},
		{"arrow key", split("\x1b[A"), "<1B>[A"},
		{"arrow key split", split("\x1b", "[A"), "<1B>[A"},
		{"rune split", split("Ger\xc3", "\xa4t"), "Gerät"},
		{"rune of three bytes split twice", split("\xe2", "\x82", "\xac"), "€"},
		{"byte of Latin-1", split("Ger\xe4", "t\r"), "Ger<E4>t<0D>"},
		{"byte of Latin-1 at the end", split("Ger\xe4"), "Ger<E4>"},
		{"a real private rune is not taken for a mark", split("\ue003"), "<EE><80><83>"},
		{"a real retract rune neither", split("\x1b\ue100"), "<1B><EE><84><80>"},
		{"a real replacement rune is no fault of the terminal", split("\ufffd"), "<U+FFFD>"},
	} {
		t.Run(c.name, func(t *testing.T) {
			out, err := io.ReadAll(term.NewFilter(c.in))
			if err != nil {
				t.Fatal(err)
			}
			if got := seen(out); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestFilterPassesEscapeOnAtOnce(t *testing.T) {
	f := term.NewFilter(split("\x1b", "[200~A"))
	buf := make([]byte, 256)
	n, err := f.Read(buf)
	if got := string(buf[:n]); got != string(term.Mark(0x1B)) || err != nil {
		t.Fatalf("first read: %q, %v; want the escape's mark alone", got, err)
	}
	n, err = f.Read(buf)
	if got := string(buf[:n]); got != string(term.Retract)+"A" || err != nil {
		t.Fatalf("second read: %q, %v; want Retract and A", got, err)
	}
}

// However the bytes are cut into reads, the outcome is the same, and no read
// fills the buffer of the terminal library.
func TestFilterCuts(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	alphabet := []string{"A", "7", "-", " ", "\r", "\x02", "\x03", "\x1d", "\x1b", "\x1b[200~", "\x1b[201~", "\x1b[A", "ä", "€", "\xe4", "\xff", "[", "2", "~"}
	for range 500 {
		var raw bytes.Buffer
		for range 1 + rng.IntN(400) {
			raw.WriteString(alphabet[rng.IntN(len(alphabet))])
		}
		whole, err := io.ReadAll(term.NewFilter(iotest.OneByteReader(bytes.NewReader(raw.Bytes()))))
		if err != nil {
			t.Fatal(err)
		}
		want := seen(whole)

		var cut pieces
		for b := raw.Bytes(); len(b) > 0; {
			n := min(len(b), 1+rng.IntN(300))
			cut = append(cut, b[:n])
			b = b[n:]
		}
		f := term.NewFilter(&cut)
		var got []byte
		buf := make([]byte, 256)
		for {
			n, err := f.Read(buf)
			if n >= len(buf) {
				t.Fatalf("a read of %d bytes fills the buffer", n)
			}
			if !utf8.Valid(buf[:n]) {
				t.Fatalf("a read ends inside a rune: %q", buf[:n])
			}
			got = append(got, buf[:n]...)
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if s := seen(got); s != want {
			t.Fatalf("raw %q\n got %q\nwant %q", raw.Bytes(), s, want)
		}
	}
}

func TestFilterSmallBuffers(t *testing.T) {
	in := "\x02Gerät\x03"
	var got []byte
	f := term.NewFilter(strings.NewReader(in))
	for {
		var b [1]byte
		n, err := f.Read(b[:])
		got = append(got, b[:n]...)
		if err == io.EOF {
			break
		}
	}
	if s := seen(got); s != "<02>Gerät<03>" {
		t.Errorf("got %q", s)
	}
}

func FuzzFilter(f *testing.F) {
	f.Add([]byte("\x1b[200~A\x02\xe4\r"), 3)
	f.Fuzz(func(t *testing.T, raw []byte, size int) {
		size = 1 + (size&0x7FFFFFFF)%300
		filter := term.NewFilter(bytes.NewReader(raw))
		buf := make([]byte, size)
		var got []byte
		for {
			n, err := filter.Read(buf)
			got = append(got, buf[:n]...)
			if err != nil {
				break
			}
		}
		if !utf8.Valid(got) {
			t.Fatalf("no UTF-8: %q", got)
		}
		for _, r := range string(got) {
			if r < ' ' || r == 0x7F {
				t.Fatalf("control %U in %q", r, got)
			}
		}
	})
}
