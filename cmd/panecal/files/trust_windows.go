package files

import "io/fs"

// trusted leaves it to the folder's access list, which Windows gives to the
// files in it.
func trusted(string, fs.FileInfo) error { return nil }

// private: as trusted, by the access list of the folder.
func private(string, fs.FileInfo) error { return nil }
