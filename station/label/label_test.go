package label_test

import (
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/panecal/station/label"
)

// published reads a case of published values; the file names its source.
func published(t *testing.T, id string) (inputs map[string]any, values map[string]string) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "stats", id+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var c struct {
		Source    string
		Inputs    map[string]any
		Published map[string]string
	}
	if err := json.Unmarshal(data, &c); err != nil || c.Source == "" || len(c.Published) == 0 {
		t.Fatalf("%s: %v, source %q, %d values", id, err, c.Source, len(c.Published))
	}
	return c.Inputs, c.Published
}

func TestCheckPublished(t *testing.T) {
	file, err := os.Open(filepath.Join("..", "..", "testdata", "stats", "iso7064-a.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	system := map[string]label.Check{"MOD 37,36": label.Mod37_36, "MOD 11,10": label.Mod11_10,
		"MOD 11-2": label.Mod11x2, "MOD 37-2": label.Mod37x2, "MOD 97-10": label.Mod97x10}
	ran := map[label.Check]int{}
	for _, r := range rows[1:] {
		c := system[r[0]]
		got, err := c.Compute(r[1])
		if err != nil || got != r[2] {
			t.Errorf("%s of %s is %q, %v; published %q", r[0], r[1], got, err, r[2])
		}
		if err := c.Verify(r[1] + r[2]); err != nil {
			t.Errorf("%s%s: %v", r[1], r[2], err)
		}
		ran[c]++
	}
	if len(ran) != 5 {
		t.Errorf("not every system has a vector: %v", ran)
	}
}

// What ISO/IEC 7064 promises of each system: every single wrong character is
// found, and so is every swap of two neighbours, but for the hybrid MOD 11,10.
func TestCheckFindsErrors(t *testing.T) {
	for _, c := range []struct {
		check    label.Check
		payload  string
		alphabet string
		swaps    bool
	}{
		{label.Mod37_36, "H5400017", "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", false},
		{label.Mod37x2, "H5400017", "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", true},
		{label.Mod11x2, "5400017", "0123456789", true},
		{label.Mod97x10, "5400017", "0123456789", true},
		{label.Mod11_10, "5400017", "0123456789", false},
	} {
		check, err := c.check.Compute(c.payload)
		if err != nil {
			t.Fatal(err)
		}
		whole, tried := c.payload+check, 0
		for i := range c.payload {
			for _, other := range c.alphabet {
				wrong := whole[:i] + string(other) + whole[i+1:]
				if wrong == whole {
					continue
				}
				tried++
				if c.check.Verify(wrong) == nil {
					t.Errorf("%s: %s for %s is not found", c.check, wrong, whole)
				}
			}
			if c.swaps && i > 0 && whole[i] != whole[i-1] {
				wrong := whole[:i-1] + whole[i:i+1] + whole[i-1:i] + whole[i+1:]
				if tried++; c.check.Verify(wrong) == nil {
					t.Errorf("%s: %s for %s is not found", c.check, wrong, whole)
				}
			}
		}
		if tried < 60 {
			t.Errorf("%s: only %d tried", c.check, tried)
		}
	}
}

func TestRead(t *testing.T) {
	const gs, rs, eot = "\x1d", "\x1e", "\x04"
	for _, c := range []struct{ name, scan, serial, lot, part, kind string }{
		{"bare", "H54-00001-X", "H54-00001-X", "", "", label.Bare},
		{"bare with the scanner's line end", "H54-00001-X\r\n", "H54-00001-X", "", "", label.Bare},
		{"bare, symbology prefix of a plain Data Matrix", "]d1H54-00001-X", "H54-00001-X", "", "", label.Bare},
		{"format 06", "[)>" + rs + "06" + gs + "1PFEED-9" + gs + "1TL77" + gs + "SH54" + rs + eot, "H54", "L77", "FEED-9", label.Format06},
		{"format 06 with prefix", "]d1[)>" + rs + "06" + gs + "SH54" + rs + eot, "H54", "", "", label.Format06},
		{"format 06, serial with issuer", "[)>" + rs + "06" + gs + "25SD1A2B3S0001" + rs + eot, "D1A2B3S0001", "", "", label.Format06},
		{"format 06, S counts before 25S", "[)>" + rs + "06" + gs + "25SD1S7" + gs + "S7" + gs + "PB" + gs + "1PA" + rs + eot, "7", "", "A", label.Format06},
		{"format 05", "[)>" + rs + "05" + gs + "01095011015300032112345" + gs + "10L7" + rs + eot, "12345", "L7", "09501101530003", label.Format05},
		{"two formats in one message", "[)>" + rs + "05" + gs + "10L7" + rs + "06" + gs + "SH54" + rs + eot, "H54", "L7", "", label.Format06},
		{"format 12", "[)>" + rs + "12" + gs + "SER 1234567" + gs + "PNR A" + rs + eot, "1234567", "", "A", label.Format12},
		{"GS1 Data Matrix", "]d20109501101530003" + "10L7" + gs + "21A-5", "A-5", "L7", "09501101530003", label.GS1},
		{"GS1 Code 128, one element", "]C121A5", "A5", "", "", label.GS1},
		{"GS1 without prefix, FNC1 sent as GS", gs + "21A5" + gs + "10L7", "A5", "L7", "", label.GS1},
		{"GS1, dates and weights have predefined lengths", "]d2112601313103001250" + "21A5", "A5", "", "", label.GS1},
		{"the same field twice alike", "]d221A5" + gs + "21A5", "A5", "", "", label.GS1},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := label.Read(c.scan)
			if err != nil {
				t.Fatal(err)
			}
			if l.Serial != c.serial || l.Lot != c.lot || l.Part != c.part || l.Kind != c.kind {
				t.Errorf("got %+v", l)
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	const gs, rs, eot = "\x1d", "\x1e", "\x04"
	rules, err := label.NewRules(`H54-[0-9]{5}-[0-9A-Z]`, label.Mod37_36)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, scan string
		why        label.Why
		want       string
	}{
		{"nothing", "\r\n", label.Empty, `nothing was scanned`},
		{"only a prefix", "]d2", label.Empty, `nothing was scanned`},
		{"too long", strings.Repeat("A", label.MaxBytes+1), label.TooLong, `the label is too long: 1025 characters, more than 1024`},
		{"escape", "H54\x1b[A", label.Unprinted, `the scan has a character that no label has: character 4 of H54<ESC>[A is <ESC>`},
		{"umlaut", "H54Ä", label.Unprinted, `the scan has a character that no label has: character 4 of H54<C3><84> is <C3>`},
		{"space in a bare serial", "H54 00001", label.Unprinted, `the scan has a character that no label has: a bare serial has no spaces or separators: character 4 of H54 00001 is  `},
		{"message without RS", "[)>06" + gs + "S1" + rs + eot, label.BadFormat, `the message on the label is of a kind that is not read here: RS is wanted after [)>: character 4 of [)>06<GS>S1<RS><EOT> is 0`},
		{"message cut off", "[)>" + rs + "06" + gs + "S1", label.CutOff, `the message on the label is cut off: it must end with <RS><EOT>; a scanner that acts as keyboard may have lost them`},
		{"unknown format", "[)>" + rs + "07" + gs + "S1" + rs + eot, label.BadFormat, `the message on the label is of a kind that is not read here: format 07; read are 05, 06, 12`},
		{"no GS", "[)>" + rs + "06S1" + rs + eot, label.BadFormat, `the message on the label is of a kind that is not read here: GS is wanted after 06S1`},
		{"end inside", "[)>" + rs + "06" + gs + "S1" + eot + rs + eot, label.BadField, `the label has a field that cannot be read: EOT inside the message: character 10 of [)><RS>06<GS>S1<EOT><RS><EOT> is <EOT>`},
		{"no identifier", "[)>" + rs + "06" + gs + "s1" + rs + eot, label.BadField, `the label has a field that cannot be read: "s1" has no identifier of ISO/IEC 15434 format 06 or no value`},
		{"no value", "[)>" + rs + "06" + gs + "S" + rs + eot, label.BadField, `the label has a field that cannot be read: "S" has no identifier of ISO/IEC 15434 format 06 or no value`},
		{"no serial", "[)>" + rs + "06" + gs + "1TL7" + rs + eot, label.NoSerial, `the label has no serial`},
		{"two serials", "[)>" + rs + "06" + gs + "SA" + gs + "SB" + rs + eot, label.Twice, `the label says the same thing twice and differently: S is A and B`},
		{"no application identifier", "]d2AB", label.BadField, `the label has a field that cannot be read: no application identifier: character 1 of AB is A`},
		{"GS1 too short", "]d201095011015300", label.BadField, `the label has a field that cannot be read: (01) wants 14 characters, has 12`},
		{"GS1 letter in a number", "]d20109501101530O0321A", label.BadField, `the label has a field that cannot be read: (01) wants digits, has 09501101530O03`},
		{"GS1 check digit", "]d2010950110153000421A", label.CheckWrong, `the check character is wrong: (01): character 14 of 09501101530004 is 4`},
		{"GS1 serial too long", "]d221" + strings.Repeat("9", 21), label.BadField, `the label has a field that cannot be read: (21) has 21 characters, more than 20`},
		{"pattern: letter for a digit", "H54-0000O-M", label.NoFit, "the serial does not fit the product's pattern: H54-[0-9]{5}-[0-9A-Z]: character 9 of H54-0000O-M is O"},
		{"pattern: small letter", "h54-00001-M", label.NoFit, "the serial does not fit the product's pattern: H54-[0-9]{5}-[0-9A-Z]: character 1 of h54-00001-M is h"},
		{"pattern: too short", "H54-0000", label.NoFit, "the serial does not fit the product's pattern: H54-[0-9]{5}-[0-9A-Z]: H54-0000 ends after 8 characters"},
		{"pattern: too long", "H54-00001-MM", label.NoFit, "the serial does not fit the product's pattern: H54-[0-9]{5}-[0-9A-Z]: character 12 of H54-00001-MM is M"},
		{"check", "H54-00001-0", label.CheckWrong, "the check character is wrong: MOD 37,36: character 11 of H54-00001-0 is 0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := rules.Parse(c.scan)
			var r *label.Refusal
			if !errors.As(err, &r) {
				t.Fatalf("taken: %+v, %v", l, err)
			}
			if r.Why != c.why || r.Error() != c.want {
				t.Errorf("got  %s\nwant %s", r, c.want)
			}
		})
	}
}

func TestRules(t *testing.T) {
	for _, c := range []struct {
		pattern string
		check   label.Check
		scan    string
		ok      bool
	}{
		{"", "", "anything", true},
		{"", label.Mod37_36, "A12425GABC1234002M", true},
		{"", label.Mod37_36, "A1-2425G-ABC1234002-M", true},
		{"A|BB", "", "BB", true},
		{"A|BB", "", "AB", false},
		{"(?i)h.+", "", "H\x1dx", false},
		{"(A?){40}A{40}", "", strings.Repeat("A", 40), true},
		{"^A$", "", "A", true},
	} {
		r, err := label.NewRules(c.pattern, c.check)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := r.Parse(c.scan); (err == nil) != c.ok {
			t.Errorf("%q %s: %v", c.pattern, c.scan, err)
		}
	}
	for _, c := range []struct{ pattern, check string }{{"[", "none"}, {"A)(B", "none"}, {"", "mod 37,36"}, {strings.Repeat("A", 501), "none"}, {"(?:A{999}){999}", "none"}} {
		if _, err := label.NewRules(c.pattern, label.Check(c.check)); err == nil {
			t.Errorf("rules %.20q, %q were made", c.pattern, c.check)
		}
	}
}

// MIL-STD-130N with Change 1, Appendix A, Table A-II: how data identifiers
// make a unique item identifier.
func TestItemPublished(t *testing.T) {
	inputs, rules := published(t, "mil-std-130n-uii-rules")
	values := map[string]string{"I": "UN194532636S0001", "22S": "A1B2C3"} // the case has no examples for these two
	for id, v := range inputs["example_values"].(map[string]any) {
		values[id] = v.(string)
	}
	for have, makes := range rules {
		ids := strings.Split(have, ",")
		scan := "[)>\x1e06"
		for _, id := range ids {
			scan += "\x1d" + id + values[id]
		}
		if !slices.ContainsFunc(ids, func(id string) bool { return id == "S" || id == "18S" || id == "25S" }) {
			scan += "\x1dSX" // a label without a serial is not read
		}
		l, err := label.Read(scan + "\x1e\x04")
		if err != nil {
			t.Errorf("%s: %v", have, err)
			continue
		}
		want := ""
		for _, piece := range strings.Split(makes, "+") {
			if v, ok := values[piece]; ok {
				want += v
			} else {
				want += piece
			}
		}
		if l.Item() != want {
			t.Errorf("%s makes %q, published %s = %q", have, l.Item(), makes, want)
		}
	}

	inputs, want := published(t, "mil-std-130n-format12")
	message, err := hex.DecodeString(inputs["message_hex"].(string))
	if err != nil {
		t.Fatal(err)
	}
	l, err := label.Read(string(message))
	if err != nil || l.Serial != want["SER"] || l.Item() != want["uii"] || l.Fields[0].ID != "CAG" || l.Fields[0].Value != want["CAG"] {
		t.Errorf("format 12: %+v, %v", l, err)
	}
	if l, _ := label.Read("A1"); l.Item() != "" {
		t.Errorf("a bare serial has no identifier, got %q", l.Item())
	}
}

func FuzzParse(f *testing.F) {
	rules, err := label.NewRules(`(H54|S)-?[0-9]+.*`, label.Mod37_36)
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{"H54-00001-Z", "]d20109501101530003" + "21A", "[)>\x1e06\x1dSH5400001\x1e\x04", "[)>\x1e12\x1dSER 1\x1e\x04", "[)>\x1e05\x1d21A\x1d10B\x1e\x04", "]", "\x1d"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, scan string) {
		l, err := rules.Parse(scan)
		if err != nil {
			var r *label.Refusal
			if !errors.As(err, &r) || r.Why == "" || l.Serial != "" {
				t.Fatalf("%v beside %+v", err, l)
			}
			for _, c := range r.Error() {
				if c < 0x20 || c == 0x7f || c > 0x7e && c != '…' {
					t.Fatalf("a refusal that cannot be shown: %q", r.Error())
				}
			}
			return
		}
		if l.Serial == "" || !strings.Contains(scan, l.Serial) {
			t.Errorf("serial %q is not in the scan %q", l.Serial, scan)
		}
		for _, f := range l.Fields {
			if f.Value == "" || !strings.Contains(scan, f.Value) {
				t.Errorf("field %+v is not in the scan %q", f, scan)
			}
		}
		again, err := rules.Parse(l.Serial)
		if err != nil || again.Serial != l.Serial {
			// A serial that contains spaces or looks like a message is
			// readable only inside its fields.
			if !strings.ContainsAny(l.Serial, " ]") && !strings.HasPrefix(l.Serial, "[)>") {
				t.Errorf("the serial alone: %v", err)
			}
		}
	})
}
