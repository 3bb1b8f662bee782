// Package label reads what a barcode scanner sends and says whose label it
// is: serial, and lot and part number where the label has them.
//
// It takes messages of ISO/IEC 15434 (format 05 with GS1 application
// identifiers, 06 with the data identifiers of ASC MH10.8.2, 12 with text
// element identifiers), GS1 element strings (FNC1 sent as GS, or announced by
// the scanner's symbology prefix, ISO/IEC 15424) and bare serials. The serial
// must fit the product's pattern and carry a right check character of ISO
// 7064 where the product asks for one.
//
// What it does not take it refuses with a [Refusal] that shows the character
// at fault; it never repairs a scan. It knows nothing of units: whether label
// and unit belong together is decided elsewhere. Input is bounded by
// [MaxBytes]. Everything is a plain value and safe for concurrent use.
package label
