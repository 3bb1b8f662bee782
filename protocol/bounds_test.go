package protocol_test

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/protocol"
)

// ranges gives the smallest and largest integer of each key of the grammar, by
// rule and key.
func ranges(t *testing.T) map[string]map[int64][2]int64 {
	t.Helper()
	b, err := os.ReadFile("panecal.cddl")
	if err != nil {
		t.Fatal(err)
	}
	text := regexp.MustCompile(`;.*`).ReplaceAllString(string(b), "")
	named := map[string][2]int64{}
	between := regexp.MustCompile(`^(-?\d+)\.\.(-?\d+)$`)
	number := func(s string) int64 {
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	for _, m := range regexp.MustCompile(`(?m)^([a-z0-9-]+) = (-?\d+)\.\.(-?\d+)$`).FindAllStringSubmatch(text, -1) {
		named[m[1]] = [2]int64{number(m[2]), number(m[3])}
	}
	// The values of a choice follow each other.
	member := regexp.MustCompile(`: (\d+)`)
	choice := func(text string) (r [2]int64, ok bool) {
		if n := regexp.MustCompile(`/ \d+\.\.(\d+)$`).FindStringSubmatch(text); n != nil {
			r[1] = number(n[1])
		}
		for i, m := range member.FindAllStringSubmatch(text, -1) {
			n := number(m[1])
			if i == 0 {
				r[0], ok = n, true
			}
			r[1] = max(r[1], n)
		}
		return r, ok
	}
	for _, m := range regexp.MustCompile(`(?m)^([a-z0-9-]+) = (&\([^)]*\)( / \d+\.\.\d+)?)$`).FindAllStringSubmatch(text, -1) {
		if r, ok := choice(m[2]); ok {
			named[m[1]] = r
		}
	}
	all := map[string]map[int64][2]int64{}
	for _, m := range regexp.MustCompile(`(?ms)^([a-z-]+) = \{\n(.*?)^\}`).FindAllStringSubmatch(text, -1) {
		all[m[1]] = map[int64][2]int64{}
		for _, k := range regexp.MustCompile(`(?m)^  (\d+) => (&\([^)]*\)|[^,]+),`).FindAllStringSubmatch(m[2], -1) {
			r, ok := named[k[2]]
			if n := between.FindStringSubmatch(k[2]); n != nil {
				r, ok = [2]int64{number(n[1]), number(n[2])}, true
			} else if k[2] == "0 / 1" {
				r, ok = [2]int64{0, 1}, true
			} else if c, found := choice(k[2]); found {
				r, ok = c, true
			}
			if ok {
				all[m[1]][number(k[1])] = r
			}
		}
	}
	return all
}

// withKey gives the payload with another value at a key of its last map.
func withKey(t *testing.T, payload []byte, items int, key int64, value []byte) []byte {
	t.Helper()
	rest := payload[1:]
	for range items - 1 {
		var err error
		if rest, err = protocol.SkipItem(rest, 1); err != nil {
			t.Fatal(err)
		}
	}
	out := bytes.Clone(payload[:len(payload)-len(rest)+1])
	for rest = rest[1:]; len(rest) > 0; {
		after, err := protocol.SkipItem(rest, 1)
		if err != nil {
			t.Fatal(err)
		}
		k, next := rest[:len(rest)-len(after)], []byte(nil)
		if next, err = protocol.SkipItem(after, 2); err != nil {
			t.Fatal(err)
		}
		if out = append(out, k...); bytes.Equal(k, protocol.AppendInt(nil, key)) {
			out = append(out, value...)
		} else {
			out = append(out, after[:len(after)-len(next)]...)
		}
		rest = next
	}
	return out
}

// bodies are one message of each rule of the grammar, such that any one number
// in it may take the ends of its range.
func bodies(t *testing.T) map[string][]byte {
	t.Helper()
	id := identity
	id.Rows, id.Cols, id.Bins, id.ProtoHigh, id.Kinds = 1, 1, 2, 65535, protocol.KindsOf(protocol.Totals)
	all := map[string][]byte{}
	request := func(name string, body protocol.RequestBody) {
		payload, err := protocol.AppendRequest(nil, protocol.Request{ID: 1, Session: 1, Body: body})
		if err != nil {
			t.Fatal(err)
		}
		all[name] = payload
	}
	answer := func(name string, a protocol.Answer) {
		payload, err := protocol.AppendAnswer(nil, a)
		if err != nil {
			t.Fatal(err)
		}
		all[name] = payload
	}
	answer("busy", protocol.Answer{Op: protocol.OpStatus, Code: protocol.CodeBusy, BusyMS: 1})
	answer("identity", protocol.Answer{Op: protocol.OpWhoAreYou, Body: &id})
	answer("status", protocol.Answer{Op: protocol.OpStatus, Body: &protocol.Status{}})
	answer("progress", protocol.Answer{Op: protocol.OpProgress, Body: &protocol.Progress{Capture: 1}})
	answer("values", protocol.Answer{Op: protocol.OpFetch, Body: &protocol.Values{Capture: 1, Table: protocol.BinTable, Counts: [][]uint32{{1}}}})
	answer("constants-part", protocol.Answer{Op: protocol.OpReadConstants, Body: &protocol.ConstantsPart{}})
	answer("staged", protocol.Answer{Op: protocol.OpStage, Body: &protocol.Staged{}})
	request("start-capture", &capture20)
	request("ask-progress", &protocol.AskProgress{Capture: 1})
	request("fetch", &protocol.Fetch{Capture: 1, Table: protocol.BinTable, Count: 1})
	request("read-constants", &protocol.ReadConstants{Count: 1})
	request("stage", &protocol.Stage{Length: protocol.MaxBlock, Data: []byte{1}})
	request("commit", &protocol.Commit{Length: 1})
	return all
}

// decoded says whether a message is taken for one, requests by their answer.
func decoded(payload []byte) error {
	if payload[0] == 0x84 {
		r, err := protocol.DecodeRequest(payload)
		if refused, ok := r.Body.(*protocol.Refused); ok {
			return fmt.Errorf("refused: %s", refused.Why)
		}
		return err
	}
	_, err := protocol.DecodeAnswer(payload)
	return err
}

// TestBounds holds the codec to the ranges that panecal.cddl gives: each number
// may take both ends of its range and nothing beyond, and is nothing but an
// integer.
func TestBounds(t *testing.T) {
	tried := 0
	grammar := ranges(t)
	for rule, payload := range bodies(t) {
		items := int(payload[0] & 31)
		if err := decoded(payload); err != nil {
			t.Fatalf("%s: %v", rule, err)
		}
		for key, r := range grammar[rule] {
			for _, c := range []struct {
				v  int64
				ok bool
			}{{r[0], true}, {r[1], true}, {r[0] - 1, false}, {r[1] + 1, false}} {
				tried++
				if rule == "values" && key == 2 && c.v == int64(protocol.RangeTable) {
					continue // takes other parts
				}
				err := decoded(withKey(t, payload, items, key, protocol.AppendInt(nil, c.v)))
				if c.ok != (err == nil) || err != nil && !strings.Contains(err.Error(), fmt.Sprintf("key %d: ", key)) {
					t.Errorf("%s, key %d: %d of %d to %d: %v", rule, key, c.v, r[0], r[1], err)
				}
			}
			for _, other := range [][]byte{{0x40}, {0x60}, {0x80}, {0xa0}} {
				if err := decoded(withKey(t, payload, items, key, other)); err == nil {
					t.Errorf("%s, key %d takes %x", rule, key, other)
				}
			}
		}
		if err := decoded(append(bytes.Clone(payload), 0)); err == nil {
			t.Errorf("%s: a byte after the message is accepted", rule)
		}
	}
	if tried < 4*43 {
		t.Errorf("only %d numbers tried", tried)
	}
}

// TestWrongKinds: strings and arrays that are something else.
func TestWrongKinds(t *testing.T) {
	all := bodies(t)
	for _, c := range []struct {
		rule  string
		key   int64
		value []byte
	}{
		{"identity", 1, []byte{0x00}}, {"identity", 1, []byte{0x41, 'x'}}, {"identity", 4, []byte{0x80}},
		{"identity", 1, append([]byte{0x78, 33}, make([]byte, 33)...)},
		{"constants-part", 3, []byte{0x61, 'x'}}, {"constants-part", 3, []byte{0x00}},
		{"stage", 3, []byte{0x40}}, {"stage", 3, []byte{0x61, 'x'}},
		{"values", 5, []byte{0x00}}, {"values", 5, []byte{0x41, 1}}, {"values", 5, []byte{0x80}}, {"values", 5, []byte{0xa0}},
		{"values", 5, []byte{0x81, 0xd8, 64, 0x40}}, // an empty part
		{"values", 5, []byte{0x82, 0xd8, 64, 0x41, 1, 0xd8, 64, 0x40}},
	} {
		payload := all[c.rule]
		err := decoded(withKey(t, payload, int(payload[0]&31), c.key, c.value))
		if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("key %d: ", c.key)) {
			t.Errorf("%s, key %d, % x: %v", c.rule, c.key, c.value, err)
		}
	}
}

// TestRangeZones: four or six integers within ±2^50, uncertainties not below
// nought (panecal.cddl, zone-range).
func TestRangeZones(t *testing.T) {
	payload, err := protocol.AppendAnswer(nil, protocol.Answer{Op: protocol.OpFetch,
		Body: &protocol.Values{Capture: 1, Table: protocol.RangeTable, Ranges: []protocol.RangeZone{{}}}})
	if err != nil {
		t.Fatal(err)
	}
	const most = 1 << 50
	for _, c := range []struct {
		zone []int64
		ok   bool
	}{
		{[]int64{-most, 0, most, most, -most, most}, true}, {[]int64{most, most, -most, 0}, true},
		{[]int64{most + 1, 0, 0, 0}, false}, {[]int64{-most - 1, 0, 0, 0}, false}, {[]int64{0, 0, 0, 0, most + 1, 0}, false},
		{[]int64{0, -1, 0, 0}, false}, {[]int64{0, 0, 0, -1}, false}, {[]int64{0, 0, 0, 0, 0, -1}, false},
		{[]int64{0, 0, 0}, false}, {[]int64{0, 0, 0, 0, 0}, false}, {[]int64{0, 0, 0, 0, 0, 0, 0}, false},
	} {
		value := append([]byte{0x81}, protocol.AppendHead(nil, 4, uint64(len(c.zone)))...)
		for _, v := range c.zone {
			value = protocol.AppendInt(value, v)
		}
		if err := decoded(withKey(t, payload, 5, 5, value)); c.ok != (err == nil) {
			t.Errorf("%d: %v", c.zone, err)
		}
	}
	for _, value := range [][]byte{{0x81, 0x84, 0, 0, 0, 0x61, 'x'}, {0x81, 0x84, 0x40, 0, 0, 0}, {0x81, 0x44, 0, 0, 0, 0}, {0x81, 0x00}} {
		if err := decoded(withKey(t, payload, 5, 5, value)); err == nil {
			t.Errorf("% x is taken for a zone", value)
		}
	}
}

// TestIdentityHangsTogether: what SPEC.md 5.1 asks of several numbers at once.
func TestIdentityHangsTogether(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*protocol.Identity)
		want   string
	}{
		"as many values as may be":   {func(id *protocol.Identity) { id.Rows, id.Cols, id.Bins = 32, 32, 256 }, ""},
		"a bin more a zone":          {func(id *protocol.Identity) { id.Rows, id.Cols, id.Bins = 32, 32, 257 }, "too many zones or bins"},
		"a row more":                 {func(id *protocol.Identity) { id.Rows, id.Cols, id.Bins = 33, 32, 2 }, "too many zones or bins"},
		"one version":                {func(id *protocol.Identity) { id.ProtoLow, id.ProtoHigh = 7, 7 }, ""},
		"versions the wrong way":     {func(id *protocol.Identity) { id.ProtoLow, id.ProtoHigh = 2, 1 }, "highest version below"},
		"two bins":                   {func(id *protocol.Identity) { id.Bins, id.BinFS = 2, 1 }, ""},
		"histograms of one bin":      {func(id *protocol.Identity) { id.Bins = 1 }, "histograms need bins"},
		"histograms without a width": {func(id *protocol.Identity) { id.BinFS = 0 }, "histograms need bins"},
		"even light without bins": {func(id *protocol.Identity) {
			id.Kinds, id.Bins = protocol.KindsOf(protocol.EvenLight), 0
		}, "histograms need bins"},
		"totals without bins": {func(id *protocol.Identity) {
			id.Kinds, id.Bins, id.BinFS = protocol.KindsOf(protocol.Totals), 0, 0
		}, ""},
		// Of several mistakes the first is told.
		"two mistakes": {func(id *protocol.Identity) { id.Rows, id.MaxFrames = 0, 0 }, "key 7: 0 is not between"},
	} {
		id := identity
		c.change(&id)
		_, err := protocol.AppendAnswer(nil, protocol.Answer{Op: protocol.OpWhoAreYou, Body: &id})
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v; want %q", name, err, c.want)
		}
	}
}

// TestStageWithinItsBlock: a part ends with the block at the latest.
func TestStageWithinItsBlock(t *testing.T) {
	for _, c := range []struct {
		s  protocol.Stage
		ok bool
	}{{protocol.Stage{Length: 10, Offset: 8, Data: []byte{1, 2}}, true}, {protocol.Stage{Length: 10, Offset: 9, Data: []byte{1, 2}}, false}} {
		_, err := protocol.AppendRequest(nil, protocol.Request{Body: &c.s})
		if c.ok != (err == nil) || err != nil && !strings.Contains(err.Error(), "key 3: longer than the block") {
			t.Errorf("%+v: %v", c.s, err)
		}
	}
}

// TestFaultBits: the bits of clause 5.2.2.
func TestFaultBits(t *testing.T) {
	for bit, fault := range []uint32{protocol.FaultEmitter, protocol.FaultDetector, protocol.FaultConstants, protocol.FaultTemperature, protocol.FaultMemory} {
		if fault != 1<<bit {
			t.Errorf("bit %d is %#x", bit, fault)
		}
	}
}
