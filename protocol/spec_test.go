package protocol_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/protocol"
)

var update = flag.Bool("update", false, "write the session of SPEC.md anew")

// diagnose writes CBOR of the subset in diagnostic notation.
func diagnose(b []byte) (string, []byte) {
	info, arg, rest := b[0]&31, uint64(0), b[1:]
	switch {
	case info < 24:
		arg = uint64(info)
	default:
		n := 1 << (info - 24)
		var whole [8]byte
		copy(whole[8-n:], rest[:n])
		arg, rest = binary.BigEndian.Uint64(whole[:]), rest[n:]
	}
	switch b[0] >> 5 {
	case 0:
		return fmt.Sprint(arg), rest
	case 1:
		return fmt.Sprint(-1 - int64(arg)), rest
	case 2:
		return fmt.Sprintf("h'%X'", rest[:arg]), rest[arg:]
	case 3:
		return strconv.Quote(string(rest[:arg])), rest[arg:]
	case 4, 5:
		var items []string
		for range arg {
			var item, key string
			if b[0]>>5 == 5 {
				key, rest = diagnose(rest)
				key += ": "
			}
			item, rest = diagnose(rest)
			items = append(items, key+item)
		}
		if b[0]>>5 == 5 {
			return "{" + strings.Join(items, ", ") + "}", rest
		}
		return "[" + strings.Join(items, ", ") + "]", rest
	default:
		item, rest := diagnose(rest)
		return fmt.Sprintf("%d(%s)", arg, item), rest
	}
}

// wrapped writes hex bytes in lines of 32 behind a mark.
func wrapped(mark string, b []byte) string {
	var out strings.Builder
	for at := 0; at < len(b); at += 32 {
		fmt.Fprintf(&out, "%s % X\n", mark, b[at:min(at+32, len(b))])
		mark = strings.Repeat(" ", len(mark))
	}
	return out.String()
}

// session plays the session of the specification with the codec and returns
// its text.
func session(t *testing.T) string {
	t.Helper()
	u := newFakeUnit()
	u.id = protocol.Identity{UnitID: "00A17C", Product: "hopper-2", Firmware: "1.0", ProtoLow: 1, ProtoHigh: 1,
		Rows: 2, Cols: 1, Bins: 6, BinFS: 250_000, FirstBinFS: -250_000, PulsePeriodNS: 1000, CountBits: 16,
		MaxIn: 256, MaxOut: 512, MaxHeld: 2, CommitMS: 50, Kinds: protocol.KindsOf(protocol.Histograms),
		CompensationOff: true, MaxFrames: 4}
	u.counts = [][]uint32{{1, 40, 300, 35, 2, 0}, {0, 2, 9, 3, 1, 1}}
	block := &protocol.Block{Serial: "HP2-00042", Rows: 2, Cols: 1, FirstBin: 1, Bins: 3, TempMilliCel: 24_000,
		Witness: protocol.Witness{Station: "cell-3", Generation: 1, Sequence: 815}, State: protocol.Written}
	if err := errors.Join(block.SetLeakage([]float64{0.0375, 0.0014}, 1, [][]float64{{0.004, 0.03, 0.0035}, {0.0002, 0.0009, 0.0003}}),
		block.SetOffsets([]float64{1.25})); err != nil {
		t.Fatal(err)
	}
	data, err := block.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	crc := binary.LittleEndian.Uint32(data[len(data)-4:])
	progress := func(p protocol.Progress) *protocol.Answer { return tell(&p) }
	fetch := func(table protocol.Table, count int) *protocol.Fetch {
		return &protocol.Fetch{Capture: 1, Table: table, Count: count}
	}
	done := protocol.Progress{Capture: 1, End: protocol.Complete, ShotsFired: 10_000, FramesDone: 2, TempMilliCel: 24_125}
	start := &protocol.CaptureRequest{ID: 1, Kind: protocol.Histograms, Shots: 5000, Frames: 2}
	var out strings.Builder
	for i, step := range []struct {
		say   string
		body  protocol.RequestBody
		force *protocol.Answer // what only time decides
	}{
		{"Who are you? The station opens session 3735928559.", &protocol.WhoAreYou{}, nil},
		{"How are you?", &protocol.AskStatus{}, nil},
		{"Constants? None were ever written.", &protocol.ReadConstants{Count: 256}, nil},
		{"Histograms of 2 frames of 5000 shots. It runs.", start, progress(protocol.Progress{Capture: 1, RemainingMS: 10, TempMilliCel: 24_125})},
		{"Ten milliseconds later it is complete.", &protocol.AskProgress{Capture: 1}, progress(done)},
		{"The emitter is stopped all the same.", &protocol.Stop{}, nil},
		{"All bins: zone 0 needs 16 bits, zone 1 only 8.", fetch(protocol.BinTable, 12), nil},
		{"Totals of the frames, to see that they agree.", fetch(protocol.FrameTable, 4), nil},
		{"Totals of the zones, to see that all adds up.", fetch(protocol.TotalTable, 2), nil},
		{"The constants block, in one part.", &protocol.Stage{Length: len(data), Data: data}, nil},
		{"Commit. Writing takes a while.", &protocol.Commit{Length: len(data), CRC: crc}, &protocol.Answer{Code: protocol.CodeBusy, BusyMS: 30}},
		{"Thirty milliseconds later: done.", &protocol.Commit{Length: len(data), CRC: crc}, nil},
		{"Read back, to be compared byte for byte.", &protocol.ReadConstants{Count: 256}, nil},
		{"A capture that the unit does not hold is refused.", &protocol.AskProgress{Capture: 2}, nil},
	} {
		r := protocol.Request{ID: uint32(i + 1), Session: 0xdeadbeef, Body: step.body}
		if step.say == "Thirty milliseconds later: done." {
			r.ID-- // the same request again
		}
		payload, err := protocol.AppendRequest(nil, r)
		if err != nil {
			t.Fatal(err)
		}
		heard, err := protocol.DecodeRequest(payload)
		if err != nil {
			t.Fatal(err)
		}
		if c, ok := step.body.(*protocol.CaptureRequest); ok {
			u.capture, u.end = *c, protocol.Complete
		}
		a := step.force
		if a == nil {
			a = u.obey(heard)
		}
		a.ID, a.Session, a.Op = heard.ID, u.session, heard.Body.Op()
		answer, err := protocol.AppendAnswer(nil, *a)
		if err != nil {
			t.Fatal(err)
		}
		ask, _ := diagnose(payload)
		say, _ := diagnose(answer)
		fmt.Fprintf(&out, "%s\n\n```\n> %s\n%s< %s\n%s```\n\n", step.say,
			ask, wrapped(" ", protocol.AppendPacket(nil, payload)), say, wrapped(" ", protocol.AppendPacket(nil, answer)))
	}
	if !bytes.Equal(u.block, data) {
		t.Fatalf("the unit holds %x", u.block)
	}
	return out.String()
}

const (
	sessionBegin = "<!-- session begin: written by `go test ./protocol -run Session -update` -->\n"
	sessionEnd   = "<!-- session end -->"
)

func readSpec(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("SPEC.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestSessionOfTheSpecification(t *testing.T) {
	spec := readSpec(t)
	before, rest, ok1 := strings.Cut(spec, sessionBegin)
	old, after, ok2 := strings.Cut(rest, sessionEnd)
	if !ok1 || !ok2 {
		t.Fatal("SPEC.md has no place for the session")
	}
	want := "\n" + session(t)
	if *update {
		if err := os.WriteFile("SPEC.md", []byte(before+sessionBegin+want+sessionEnd+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if old != want {
		t.Errorf("SPEC.md prints another session than the codec speaks; -update writes it anew.\ngot\n%s\nwant\n%s", old, want)
	}
}

// TestSpecSessionDecodes reads the printed bytes back, without knowing how
// they were made.
func TestSpecSessionDecodes(t *testing.T) {
	_, rest, _ := strings.Cut(readSpec(t), sessionBegin)
	var line []byte
	packets := 0
	flush := func() {
		if line == nil {
			return
		}
		packets++
		payload, err := protocol.NewScanner(bytes.NewReader(line), 512).Next()
		if err != nil {
			t.Errorf("% X: %v", line, err)
		} else if packets%2 == 1 {
			_, err = protocol.DecodeRequest(payload)
		} else {
			_, err = protocol.DecodeAnswer(payload)
		}
		if err != nil {
			t.Errorf("% X: %v", line, err)
		}
		line = nil
	}
	for _, l := range strings.Split(rest, "\n") {
		if strings.HasPrefix(l, "  ") {
			line = append(line, unhex(t, strings.ReplaceAll(l, " ", ""))...)
		} else {
			flush()
		}
	}
	if packets < 20 || packets%2 != 0 {
		t.Errorf("%d packets", packets)
	}
}

// TestClauses: every "shall" is in a numbered clause, and numbers ascend.
func TestClauses(t *testing.T) {
	number := regexp.MustCompile(`^\*\*(\d+(?:\.\d+)*)\*\* `)
	_, body, ok := strings.Cut(readSpec(t), "## 1. Roles")
	if !ok {
		t.Fatal("no chapter 1")
	}
	var last []int
	clauses := 0
	for _, l := range strings.Split(body, "\n") {
		m := number.FindStringSubmatch(l)
		if m == nil {
			if strings.Contains(l, " shall ") {
				t.Errorf("a rule without a number: %s", l)
			}
			continue
		}
		clauses++
		var now []int
		for _, s := range strings.Split(m[1], ".") {
			n, _ := strconv.Atoi(s)
			now = append(now, n)
		}
		if slices.Compare(now, last) <= 0 {
			t.Errorf("clause %v after %v", now, last)
		}
		last = now
	}
	t.Logf("%d clauses", clauses)
	if clauses < 80 {
		t.Errorf("only %d clauses were found", clauses)
	}
}

// TestGrammarHasTheCodecsKeys compares the keys of each body with
// panecal.cddl, both ways.
func TestGrammarHasTheCodecsKeys(t *testing.T) {
	b, err := os.ReadFile("panecal.cddl")
	if err != nil {
		t.Fatal(err)
	}
	rule := regexp.MustCompile(`(?ms)^([a-z-]+) = \{\n(.*?)^\}`)
	key := regexp.MustCompile(`(?m)^  (?:\? )?(\d+) =>`)
	grammar := map[string][]string{}
	for _, m := range rule.FindAllStringSubmatch(string(b), -1) {
		for _, k := range key.FindAllStringSubmatch(m[2], -1) {
			grammar[m[1]] = append(grammar[m[1]], k[1])
		}
	}
	keys := func(payload []byte, err error) (all []string) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		text, _ := diagnose(payload)
		body := text[strings.IndexByte(text, '{'):]
		body = regexp.MustCompile(`\[.*\]`).ReplaceAllString(body[:len(body)-1], "")
		for _, m := range regexp.MustCompile(`(\d+): `).FindAllStringSubmatch(body, -1) {
			all = append(all, m[1])
		}
		return all
	}
	id := identity
	request := func(body protocol.RequestBody) []string {
		return keys(protocol.AppendRequest(nil, protocol.Request{Body: body}))
	}
	answer := func(body protocol.AnswerBody) []string {
		return keys(protocol.AppendAnswer(nil, protocol.Answer{Body: body}))
	}
	codec := map[string][]string{
		"busy":           keys(protocol.AppendAnswer(nil, protocol.Answer{Code: protocol.CodeBusy, BusyMS: 1})),
		"identity":       answer(&id),
		"status":         answer(&protocol.Status{}),
		"start-capture":  request(&capture20),
		"ask-progress":   request(&protocol.AskProgress{Capture: 1}),
		"progress":       answer(&protocol.Progress{Capture: 1}),
		"fetch":          request(&protocol.Fetch{Capture: 1, Table: 1, Count: 1}),
		"values":         answer(&protocol.Values{Capture: 1, Table: 1, Counts: [][]uint32{{1}}}),
		"read-constants": request(&protocol.ReadConstants{Count: 1}),
		"constants-part": answer(&protocol.ConstantsPart{}),
		"stage":          request(&protocol.Stage{Length: 1, Data: []byte{1}}),
		"staged":         answer(&protocol.Staged{}),
		"commit":         request(&protocol.Commit{Length: 1}),
		"void":           request(&protocol.Void{Witness: make([]byte, 60)}),
	}
	for name, want := range codec {
		if got := grammar[name]; !slices.Equal(got, want) || len(got) == 0 {
			t.Errorf("%s: keys %v in the grammar, %v in the codec", name, got, want)
		}
		delete(grammar, name)
	}
	for name := range grammar {
		t.Errorf("the codec has no %s", name)
	}
}

func TestSpecPrintsTheVoidForm(t *testing.T) {
	if want := fmt.Sprintf("\n    % X\n", protocol.VoidBlock(nil)); !strings.Contains(readSpec(t), want) {
		t.Errorf("SPEC.md does not print %s", want)
	}
	data, err := exampleBlock().Marshal()
	if err != nil || !strings.Contains(readSpec(t), "take 2,428 bytes") || len(data) != 2428 {
		t.Errorf("the example block has %d bytes, %v", len(data), err)
	}
}
