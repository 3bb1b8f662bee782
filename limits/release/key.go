package release

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ed25519"
	"crypto/pbkdf2"
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Key is a person's signing key. Its private part leaves it only sealed.
type Key struct {
	Person  string
	private ed25519.PrivateKey
}

// ErrPassphrase says that a key file was not opened: its passphrase is
// another, or the file was changed.
var ErrPassphrase = errors.New("the passphrase does not open the key")

const (
	keySchema   = "panecal.key/2"
	leastPass   = 8 // characters of a passphrase
	mostKeyFile = 1 << 12

	// Argon2id with the parameters that RFC 9106, section 4, gives for computers
	// with little memory to spare.
	keyPasses  = 3
	keyMemory  = 64 << 10 // KiB
	keyThreads = 4

	// Of a key file that is read: less protects too little, and more would let a
	// file that somebody sent stop the program.
	leastMemory = 8 << 10 // KiB
	mostMemory  = 1 << 20 // KiB
	mostPasses  = 16
)

// Of the key files of programs before argon2id: PBKDF2 with SHA-256 (RFC 8018).
const (
	oldKeySchema    = "panecal.key/1"
	leastIterations = 60_000
	mostIterations  = 12_000_000
)

// keyFile is a key at rest.
type keyFile struct {
	Schema     string            `json:"schema"`
	Person     string            `json:"person"`
	Public     ed25519.PublicKey `json:"ed25519"`
	Iterations int               `json:"pbkdf2_sha256_iterations,omitempty"` // of an old file alone
	Argon2id   *argon            `json:"argon2id,omitempty"`
	Salt       []byte            `json:"salt"`
	Nonce      []byte            `json:"nonce"`
	Sealed     []byte            `json:"aes256_gcm"` // the seed of the private key
}

// argon says how much work argon2id does.
type argon struct {
	Passes  uint32 `json:"passes"`
	Memory  uint32 `json:"memory_kib"`
	Threads uint8  `json:"threads"`
}

// NewKey makes a key of the person.
func NewKey(person string) (Key, error) {
	if err := checkPerson(person); err != nil {
		return Key{}, err
	}
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return Key{}, fmt.Errorf("making a key: %w", err)
	}
	return Key{person, private}, nil
}

func checkPerson(person string) error {
	const longest = 64
	if person == "" || len(person) > longest {
		return fmt.Errorf("a person's name has 1 to %d bytes, not %d", longest, len(person))
	}
	for _, r := range person {
		if r <= ' ' || r >= 0x7f {
			return fmt.Errorf("person %q: use printable ASCII without spaces, such as a personnel number", person)
		}
	}
	// The name becomes a part of file names.
	if person[0] == '.' || strings.ContainsAny(person, `/\:*?"<>|`) {
		return fmt.Errorf("person %q: a name begins with no point and holds none of / \\ : * ? \" < > |", person)
	}
	return nil
}

// Public is the part of the key that others may know.
func (k Key) Public() ed25519.PublicKey { return k.private.Public().(ed25519.PublicKey) }

// Seal returns the key as a file that only the passphrase opens: AES-256-GCM
// under a key that argon2id (RFC 9106) makes of it, which takes memory as well as
// time for each guess.
func (k Key) Seal(passphrase string) ([]byte, error) {
	return k.seal(passphrase, argon{keyPasses, keyMemory, keyThreads})
}

func (k Key) seal(passphrase string, work argon) ([]byte, error) {
	if len([]rune(passphrase)) < leastPass {
		return nil, fmt.Errorf("sealing a key: the passphrase is shorter than %d characters", leastPass)
	}
	f := keyFile{Schema: keySchema, Person: k.Person, Public: k.Public(), Argon2id: &work, Salt: make([]byte, 16), Nonce: make([]byte, 12)}
	if _, err := rand.Read(f.Salt); err != nil {
		return nil, fmt.Errorf("sealing a key: %w", err)
	}
	if _, err := rand.Read(f.Nonce); err != nil {
		return nil, fmt.Errorf("sealing a key: %w", err)
	}
	box, err := f.box(passphrase)
	if err != nil {
		return nil, fmt.Errorf("sealing a key: %w", err)
	}
	f.Sealed = box.Seal(nil, f.Nonce, k.private.Seed(), f.about())
	b, err := json.MarshalIndent(f, "", " ")
	if err != nil {
		return nil, fmt.Errorf("sealing a key: %w", err)
	}
	return append(b, '\n'), nil
}

// box is the cipher that a passphrase gives.
func (f keyFile) box(passphrase string) (cipher.AEAD, error) {
	secret, err := f.secret(passphrase)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(secret)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}

func (f keyFile) secret(passphrase string) ([]byte, error) {
	if f.Schema == oldKeySchema {
		return pbkdf2.Key(sha256.New, passphrase, f.Salt, f.Iterations, 32)
	}
	return argon2.IDKey([]byte(passphrase), f.Salt, f.Argon2id.Passes, f.Argon2id.Memory, f.Argon2id.Threads, 32), nil
}

// about is what the seal covers beside the secret.
func (f keyFile) about() []byte {
	return fmt.Appendf(nil, "%s\n%s\n%x\n", f.Schema, f.Person, f.Public)
}

func readKeyFile(data []byte) (keyFile, error) {
	var f keyFile
	if len(data) > mostKeyFile {
		return f, fmt.Errorf("%d bytes are too many for a key file", len(data))
	}
	if err := json.Unmarshal(data, &f); err != nil {
		return f, fmt.Errorf("this is no key file: %w", err)
	}
	if f.Schema != keySchema && f.Schema != oldKeySchema || len(f.Public) != ed25519.PublicKeySize || len(f.Nonce) != 12 || len(f.Salt) < 16 {
		return f, errors.New("this is no key file")
	}
	switch a := f.Argon2id; {
	case f.Schema == oldKeySchema:
		if f.Iterations < leastIterations || f.Iterations > mostIterations {
			return f, fmt.Errorf("%d iterations: a key file has %d to %d", f.Iterations, leastIterations, mostIterations)
		}
	case a == nil || a.Passes < 1 || a.Passes > mostPasses || a.Memory < leastMemory || a.Memory > mostMemory || a.Threads < 1:
		return f, fmt.Errorf("argon2id: a key file has 1 to %d passes over %d to %d KiB", mostPasses, leastMemory, mostMemory)
	}
	return f, checkPerson(f.Person)
}

// KeyOwner tells of a sealed key what needs no passphrase. Nothing proves it
// before the key is opened.
func KeyOwner(file []byte) (person string, public ed25519.PublicKey, err error) {
	f, err := readKeyFile(file)
	if err != nil {
		return "", nil, fmt.Errorf("reading a key: %w", err)
	}
	return f.Person, f.Public, nil
}

// OldKey says whether a sealed key is of before argon2id: whoever has its file
// guesses passphrases without needing memory. To seal it again mends that.
func OldKey(file []byte) bool {
	f, err := readKeyFile(file)
	return err == nil && f.Schema == oldKeySchema
}

// OpenKey opens what Seal made.
func OpenKey(file []byte, passphrase string) (Key, error) {
	f, err := readKeyFile(file)
	if err != nil {
		return Key{}, fmt.Errorf("opening a key: %w", err)
	}
	box, err := f.box(passphrase)
	if err != nil {
		return Key{}, fmt.Errorf("opening a key: %w", err)
	}
	seed, err := box.Open(nil, f.Nonce, f.Sealed, f.about())
	if err != nil || len(seed) != ed25519.SeedSize {
		return Key{}, fmt.Errorf("opening a key: %w", ErrPassphrase)
	}
	k := Key{f.Person, ed25519.NewKeyFromSeed(seed)}
	if !k.Public().Equal(f.Public) {
		return Key{}, fmt.Errorf("opening a key: %w", ErrPassphrase)
	}
	return k, nil
}
