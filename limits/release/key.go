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
	keySchema     = "panecal.key/1"
	leastPass     = 8       // characters of a passphrase
	keyIterations = 600_000 // of PBKDF2 with SHA-256 (RFC 8018)
	mostKeyFile   = 1 << 12

	// Of a key file that is read: fewer protect too little, and more would let
	// a file that somebody sent stop the program for hours.
	leastIterations = keyIterations / 10
	mostIterations  = keyIterations * 20
)

// keyFile is a key at rest.
type keyFile struct {
	Schema     string            `json:"schema"`
	Person     string            `json:"person"`
	Public     ed25519.PublicKey `json:"ed25519"`
	Iterations int               `json:"pbkdf2_sha256_iterations"`
	Salt       []byte            `json:"salt"`
	Nonce      []byte            `json:"nonce"`
	Sealed     []byte            `json:"aes256_gcm"` // the seed of the private key
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
// under a key that PBKDF2 makes of it.
func (k Key) Seal(passphrase string) ([]byte, error) { return k.seal(passphrase, keyIterations) }

func (k Key) seal(passphrase string, iterations int) ([]byte, error) {
	if len([]rune(passphrase)) < leastPass {
		return nil, fmt.Errorf("sealing a key: the passphrase is shorter than %d characters", leastPass)
	}
	f := keyFile{Schema: keySchema, Person: k.Person, Public: k.Public(), Iterations: iterations, Salt: make([]byte, 16), Nonce: make([]byte, 12)}
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
	secret, err := pbkdf2.Key(sha256.New, passphrase, f.Salt, f.Iterations, 32)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(secret)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
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
	if f.Schema != keySchema || len(f.Public) != ed25519.PublicKeySize || len(f.Nonce) != 12 || len(f.Salt) < 16 {
		return f, errors.New("this is no key file")
	}
	if f.Iterations < leastIterations || f.Iterations > mostIterations {
		return f, fmt.Errorf("%d iterations: a key file has %d to %d", f.Iterations, leastIterations, mostIterations)
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
