package product_test

import (
	"strings"
	"testing"

	"example.org/panecal/station/product"
)

// TestDriver: how a fixture is reached has to fit its driver, and every mistake has
// a mend.
func TestDriver(t *testing.T) {
	sheet := func(lines string) string {
		return "station = \"S1\"\n[release]\nauthor = \"a\"\nreason = \"r\"\neffective = 2024-01-15T06:00:00Z\n[[nest]]\nname = \"A\"\nport = \"tcp:127.0.0.1:5401\"\nfixture = \"f\"\ndistance_mm = 300\n" +
			"distance_u_mm = 0.15\nreflectance = 0.5\ncertificate = \"c\"\ndue = 2036-01-31T00:00:00Z\nend_stop = true\n" + lines
	}
	for lines, want := range map[string]string{
		"":                  "",
		`driver = "none"`:   "",
		`driver = "air"`:    "there is no driver",
		`driver = "tcp"`:    "no place of a fixture",
		`driver_at = "x:1"`: "a place without a driver",
		"driver = \"tcp\"\ndriver_at = \"10.0.0.2:4700\"":                                 "",
		"driver = \"tcp\"\ndriver_at = \"tcp:127.0.0.1:5401\"":                            "the unit's own port",
		"driver = \"tcp\"\ndriver_at = \"h:1\"\nfar_mm = 600\nfar_u_mm = 0.3":             "",
		"driver = \"tcp\"\ndriver_at = \"h:1\"\nfar_mm = 310\nfar_u_mm = 0.3":             "no second distance",
		"driver = \"tcp\"\ndriver_at = \"h:1\"\nfar_mm = 600":                             "a second distance of 600",
		"driver = \"lines\"\ndriver_at = \"/dev/serial/by-path/x\"":                       "",
		"driver = \"lines\"\ndriver_at = \"/dev/ttyUSB0\"":                                "no port that stays",
		"driver = \"lines\"\ndriver_at = \"/dev/serial/x\"\nfar_mm = 600\nfar_u_mm = 0.3": "nothing moves the target to",
		"far_mm = 600\nfar_u_mm = 0.3":                                                    "nothing moves the target to",
	} {
		s, err := product.ReadSheet("sheet", []byte(sheet(lines)))
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%q: %v", lines, err)
		}
		if err == nil && s.Nests[0].Moves() != (strings.Contains(lines, "tcp") || strings.Contains(lines, "lines")) {
			t.Errorf("%q: moves %v", lines, s.Nests[0].Moves())
		}
	}
}
