package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"time"

	"go.etcd.io/bbolt"

	"example.org/panecal/store/record"
)

// The index is one sorted chain: each entry holds the key of the next one, and
// a check over its own key, so that an answer "these and no others" can be
// proven from its entries and the one before them. A key that damage removed
// or moved breaks the chain where it was; the chain begins with chainFirst and
// ends with chainEnd, which is no entry.
//
//	key:   topic, term, 0x00 0x01, generation, sequence
//	value: CRC-32C of key and rest, hash of the record, key of the next entry

// topic is what an index entry is filed under.
type topic byte

const (
	topicSerial topic = 's'
	topicUnitID topic = 'u'
	topicLot    topic = 'l'
	topicTime   topic = 't' // term: 8 bytes, microseconds since 1970
)

const maxTerm = 128

// prefix returns the key without the place. 0x00 in a term is doubled with
// 0xff, so that terms sort as their bytes do and none is the beginning of
// another; a very long one is cut and told apart by its hash.
func (t topic) prefix(term string) []byte {
	b := []byte{byte(t)}
	if len(term) > maxTerm {
		h := record.HashOf([]byte(term))
		term = term[:maxTerm-len(h)] + string(h[:])
	}
	for i := range len(term) {
		if b = append(b, term[i]); term[i] == 0 {
			b = append(b, 0xff)
		}
	}
	return append(b, 0x00, 0x01)
}

func timePrefix(t time.Time) []byte {
	return binary.BigEndian.AppendUint64([]byte{byte(topicTime)}, uint64(max(0, t.UnixMicro())))
}

// indexKeys returns the keys that e is filed under.
func indexKeys(e record.Entry) [][]byte {
	p := place{e.Ref.Generation, e.Ref.Sequence}
	keys := [][]byte{p.append(timePrefix(e.Time))}
	s := e.Body.Subject()
	for _, f := range []struct {
		topic topic
		term  string
	}{{topicSerial, s.Serial}, {topicUnitID, s.UnitID}, {topicLot, s.Lot}} {
		if f.term != "" {
			keys = append(keys, p.append(f.topic.prefix(f.term)))
		}
	}
	return keys
}

const (
	chainFirst = "\x00"
	chainEnd   = "\xff"
)

func chainValue(key []byte, hash record.Hash, next []byte) []byte {
	v := binary.LittleEndian.AppendUint32(make([]byte, 0, 4+len(hash)+len(next)), crc(key, hash[:], next))
	return append(append(v, hash[:]...), next...)
}

// chainEntry proves one entry and returns what it holds.
func chainEntry(key, v []byte) (hash record.Hash, next []byte, err error) {
	if len(v) < 4+len(hash) || crc(key, v[4:]) != binary.LittleEndian.Uint32(v) {
		return hash, nil, broken("an entry is not what was written")
	}
	copy(hash[:], v[4:])
	return hash, v[4+len(hash):], nil
}

func broken(what string) error {
	return &DamageError{File: databaseName, Offset: -1, What: "index: " + what}
}

func beginChain(b *bbolt.Bucket) error {
	first := []byte(chainFirst)
	return b.Put(first, chainValue(first, record.Hash{}, []byte(chainEnd)))
}

// link adds key to the chain.
func link(b *bbolt.Bucket, key []byte, hash record.Hash) error {
	c := b.Cursor()
	found, _ := c.Seek(key)
	if bytes.Equal(found, key) {
		return broken("an entry is there before its record")
	}
	before, v := stepBack(c, found)
	old, next, err := chainEntry(before, v)
	if err != nil {
		return err
	}
	if !bytes.Equal(next, orEnd(found)) {
		return broken("an entry is missing")
	}
	before, next = bytes.Clone(before), bytes.Clone(next)
	if err := b.Put(key, chainValue(key, hash, next)); err != nil {
		return err
	}
	return b.Put(before, chainValue(before, old, key))
}

// stepBack moves a cursor that sought and found key to the entry before.
func stepBack(c *bbolt.Cursor, found []byte) (key, value []byte) {
	if found == nil {
		return c.Last()
	}
	return c.Prev()
}

func orEnd(key []byte) []byte {
	if key == nil {
		return []byte(chainEnd)
	}
	return key
}

// hit is one entry found: the record and its hash.
type hit struct {
	place
	hash record.Hash
}

// between returns the entries from key lo up to but not including hi, in
// order, proven complete; at most limit of them if limit is positive. The key
// of the last one comes with them.
func between(b *bbolt.Bucket, lo, hi []byte, limit int) (hits []hit, last []byte, err error) {
	c := b.Cursor()
	key, _ := c.Seek(lo)
	before, bv := stepBack(c, key)
	if before == nil || bytes.Compare(before, lo) >= 0 {
		return nil, nil, broken("its beginning is missing")
	}
	_, next, err := chainEntry(before, bv)
	if err != nil {
		return nil, nil, err
	}
	next = bytes.Clone(next)
	key, v := c.Seek(lo) // back to where the entries begin
	for {
		if !bytes.Equal(next, orEnd(key)) {
			return nil, nil, broken(fmt.Sprintf("an entry is missing after %d found", len(hits)))
		}
		if key == nil || bytes.Compare(key, hi) >= 0 || limit > 0 && len(hits) == limit {
			return hits, last, nil
		}
		hash, n, err := chainEntry(key, v)
		if err != nil {
			return nil, nil, err
		}
		if len(key) < placeSize {
			return nil, nil, broken("an entry without a record")
		}
		hits = append(hits, hit{placeOf(key[len(key)-placeSize:]), hash})
		next, last = bytes.Clone(n), bytes.Clone(key)
		key, v = c.Next()
	}
}

// after returns the first key behind all keys that begin with prefix.
func after(prefix []byte) []byte {
	return append(bytes.Clone(prefix[:len(prefix)-1]), prefix[len(prefix)-1]+1)
}
