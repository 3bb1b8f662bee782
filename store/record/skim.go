package record

import "time"

// Skimmed is what a record says of itself and of what it is about, taken from
// its bytes without decoding the rest.
type Skimmed struct {
	Ref      Ref
	Version  int
	Kind     Kind
	Time     time.Time // UTC
	Previous Hash
	Subject  Subject
	Lots     []string // of the unit's parts, where the record names them
	Order    string   // work order
	Captures []CaptureRef
	// Later says that the record is of a later program, as far as its version
	// and its kind tell.
	Later bool
}

// Skim reads of a record what a log is searched by. It is many times quicker
// than Decode and proves less: the hash is of the bytes as they are, but what
// Skim does not read may be anything. Bytes that are no record, as far as they
// are read, are refused with ErrMalformed.
func Skim(data []byte) (Skimmed, error) {
	s := Skimmed{Ref: Ref{Hash: HashOf(data)}}
	if len(data) > MaxSize {
		return s, malformed("%d bytes are more than %d", len(data), MaxSize)
	}
	c := cursor{rest: data}
	var body []byte
	seen := 0
	for key := range c.keys {
		switch key {
		case 1:
			s.Version = int(c.number())
		case 2:
			s.Kind = Kind(c.number())
		case 3:
			s.Ref.Station = c.text()
		case 4:
			s.Ref.Generation = uint32(c.number())
		case 5:
			s.Ref.Sequence = c.number()
		case 6:
			s.Time = c.time()
		case 7:
			if copy(s.Previous[:], c.bytes()) != len(s.Previous) {
				c.fail("a hash of another length")
			}
		case 8:
			body = c.item()
		default:
			c.item()
			continue
		}
		seen++
	}
	switch {
	case c.err == nil && len(c.rest) > 0:
		c.fail("%d bytes follow it", len(c.rest))
	case c.err == nil && (seen != 8 || s.Version < 1):
		c.fail("a record without its own fields")
	}
	s.Later = s.Version > Version || !s.Kind.known()
	if c.err == nil && s.Kind.known() {
		b := cursor{rest: body}
		s.about(&b)
		// The content of a later program's record is its own business.
		if b.err != nil && s.Version <= Version {
			c.err = b.err
		}
	}
	return s, c.err
}

// about reads what the body of a known kind is about, as Subject gives it.
func (s *Skimmed) about(c *cursor) {
	switch s.Kind {
	case KindAttemptIntent, KindAttempt:
		for key := range c.keys {
			switch {
			case key == 1:
				s.run(c)
			case key == 12 && s.Kind == KindAttempt:
				s.captures(c)
			default:
				c.item()
			}
		}
	case KindRefusal:
		label := ""
		c.texts(map[uint64]*string{1: &s.Subject.Serial, 2: &label, 3: &s.Subject.UnitID})
		if s.Subject.Serial == "" {
			s.Subject.Serial = label
		}
	case KindShiftSettings:
		lots := make([]string, 3)
		c.texts(map[uint64]*string{2: &s.Order, 3: &s.Subject.Lot, 12: &lots[0], 13: &lots[1], 14: &lots[2]})
		s.Lots = lots
	case KindWriteIntent, KindDispositionChange, KindReworkDone, KindNote:
		c.texts(map[uint64]*string{2: &s.Subject.Serial, 3: &s.Subject.UnitID})
	default: // small, and seldom
		b := kinds[s.Kind].body()
		if err := codec().dec.Unmarshal(c.rest, b); err != nil {
			c.fail("%s: %v", s.Kind, err)
			return
		}
		s.Subject = b.Subject()
	}
}

// run reads what an attempt and its intent are about.
func (s *Skimmed) run(c *cursor) {
	label, lots := "", make([]string, 3)
	c.texts(map[uint64]*string{1: &s.Subject.Serial, 2: &label, 5: &s.Subject.UnitID, 14: &s.Order, 15: &s.Subject.Lot, 20: &lots[0], 21: &lots[1], 22: &lots[2]})
	if s.Subject.Serial == "" {
		s.Subject.Serial = label
	}
	s.Lots = lots
}

func (s *Skimmed) captures(c *cursor) {
	for range c.list() {
		var r CaptureRef
		for key := range c.keys {
			switch key {
			case 1:
				r.Name = c.text()
			case 2:
				copy(r.Hash[:], c.bytes())
			case 3:
				r.Segment = uint32(c.number())
			case 4:
				r.Offset = int64(c.number())
			case 5:
				r.Length = int64(c.number())
			default:
				c.item()
			}
		}
		if c.err != nil {
			return
		}
		s.Captures = append(s.Captures, r)
	}
}

// cursor reads CBOR item by item. After an error it gives zero values.
type cursor struct {
	rest []byte
	err  error
}

func (c *cursor) fail(what string, args ...any) {
	if c.err == nil {
		c.err = malformed(what, args...)
	}
	c.rest = nil
}

// head reads the head of an item, which must be of that major type.
func (c *cursor) head(major byte) uint64 {
	if c.err != nil {
		return 0
	}
	m, _, n, rest, err := head(c.rest)
	if err != nil {
		c.err, c.rest = err, nil
		return 0
	}
	if m != major {
		c.fail("another type where a known one should be")
		return 0
	}
	c.rest = rest
	return n
}

// keys gives the keys of a map; the caller reads the value of each.
func (c *cursor) keys(yield func(uint64) bool) {
	for range c.head(majorMap) {
		key := c.head(majorUint)
		if c.err != nil || !yield(key) {
			return
		}
	}
}

// list reads the head of a list and returns how many items follow.
func (c *cursor) list() int {
	n := c.head(majorList)
	if n > uint64(len(c.rest)) {
		c.fail("it ends early")
		return 0
	}
	return int(n)
}

func (c *cursor) number() uint64 { return c.head(majorUint) }

func (c *cursor) content(major byte) []byte {
	n := c.head(major)
	if n > uint64(len(c.rest)) {
		c.fail("it ends early")
		return nil
	}
	b := c.rest[:n]
	c.rest = c.rest[n:]
	return b
}

func (c *cursor) text() string  { return string(c.content(majorText)) }
func (c *cursor) bytes() []byte { return c.content(majorBytes) }

// time reads a time; null is the zero time.
func (c *cursor) time() time.Time {
	const null = 0xf6
	if len(c.rest) > 0 && c.rest[0] == null {
		c.rest = c.rest[1:]
		return time.Time{}
	}
	t, err := time.Parse(time.RFC3339Nano, c.text())
	if err != nil {
		c.fail("a time that cannot be read")
	}
	return t.UTC()
}

// texts reads a map, of which the texts under these keys are wanted.
func (c *cursor) texts(wanted map[uint64]*string) {
	for key := range c.keys {
		if into := wanted[key]; into != nil {
			*into = c.text()
		} else {
			c.item()
		}
	}
}

// item passes over one item and returns its bytes.
func (c *cursor) item() []byte {
	b, at := c.rest, 0
	for left := 1; left > 0; left-- {
		if at >= len(b) {
			c.fail("it ends early")
			return nil
		}
		if b[at] == 0xfb && len(b)-at >= 9 { // a double: most of a record is these
			at += 9
			continue
		}
		major, _, n, rest, err := head(b[at:])
		if err != nil {
			c.fail("%v", err)
			return nil
		}
		at = len(b) - len(rest)
		if major >= majorBytes && major <= majorMap && n > uint64(len(rest)) {
			c.fail("it ends early")
			return nil
		}
		switch major {
		case majorBytes, majorText:
			at += int(n)
		case majorList:
			left += int(n)
		case majorMap:
			left += 2 * int(n)
		case majorTag:
			left++
		}
	}
	c.rest = b[at:]
	return b[:at]
}
