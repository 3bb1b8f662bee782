package release

// SealLightly seals a key with as little work as a key file may have, for
// tests.
func (k Key) SealLightly(passphrase string) ([]byte, error) {
	return k.seal(passphrase, argon{1, leastMemory, 1})
}
