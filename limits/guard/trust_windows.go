package guard

import "io/fs"

// Blind says that permissions cannot be read on this system: the access list
// that Windows gives to files and folders is not looked at.
const Blind = true

func own(string, fs.FileInfo) error { return nil }

func private(string, fs.FileInfo) error { return nil }
