package proposing

import (
	"fmt"
	"math"
	"strings"

	"example.org/panecal/limits/strict"
	"example.org/panecal/station/window"
)

// drawingFile is a window's drawing. Units stand in the keys; …_sd is the
// standard deviation from window to window.
type drawingFile struct {
	Window drawingWindow `toml:"window" need:"add [window] with gap_mm, thickness_mm, baseline_mm, half_power_deg, aperture_mm2"`
	Unit   *drawingUnit  `toml:"unit"`
}

type drawingWindow struct {
	Material       string   `toml:"material"`
	Index          *float64 `toml:"index"`
	GroupIndex     *float64 `toml:"group_index"`
	IndexSD        float64  `toml:"index_sd"`
	WavelengthUM   float64  `toml:"wavelength_um"`
	ThicknessMM    float64  `toml:"thickness_mm" need:"add thickness_mm = …"`
	ThicknessSDMM  float64  `toml:"thickness_sd_mm"`
	GapMM          float64  `toml:"gap_mm" need:"add gap_mm = …, from the module's top to the window's inner face"`
	GapSDMM        float64  `toml:"gap_sd_mm"`
	TiltDeg        float64  `toml:"tilt_deg"`
	TiltSDDeg      float64  `toml:"tilt_sd_deg"`
	BaselineMM     float64  `toml:"baseline_mm" need:"add baseline_mm = …, from emitter to receiver"`
	HalfPowerDeg   float64  `toml:"half_power_deg" need:"add half_power_deg = …, of the emitter's lobe"`
	ApertureMM2    float64  `toml:"aperture_mm2" need:"add aperture_mm2 = …, of the receiver"`
	TopReflectance float64  `toml:"top_reflectance"`
	GasketMM       float64  `toml:"gasket_mm"`
	GasketSDMM     float64  `toml:"gasket_sd_mm"`
	InnerScatter   float64  `toml:"inner_scatter"` // mean
	OuterScatter   float64  `toml:"outer_scatter"`
}

// drawingUnit makes counts of the light at the aperture.
type drawingUnit struct {
	EnergyNJ     float64 `toml:"energy_nj" need:"add energy_nj = …, of one pulse"`
	EnergyRel    float64 `toml:"energy_sd"` // relative
	Optics       float64 `toml:"optics" need:"add optics = …, transmittance of the receiver's optics"`
	Detection    float64 `toml:"detection" need:"add detection = …, the probability that a photon is counted"`
	Acceptance   float64 `toml:"acceptance" need:"add acceptance = …, the share of the light at the aperture that reaches one zone"`
	AcceptanceSD float64 `toml:"acceptance_sd"` // relative
}

// usualUM is the wavelength of a drawing that names none.
const usualUM = 0.94

// drawing is what a file says.
type drawing struct {
	window     window.Window
	tolerances window.Tolerances
	// Counts per shot in a zone of the whole emitted power, and its relative
	// standard deviation; 0: the file does not say.
	perFraction, perFractionSD float64
}

// readDrawing reads a file; the error is strict.Faults.
func readDrawing(name string, data []byte) (drawing, error) {
	var t drawingFile
	d, err := strict.Decode(name, data, &t)
	if err != nil {
		return drawing{}, err
	}
	w := t.Window
	for _, v := range []struct {
		key string
		of  float64
	}{{"thickness_mm", w.ThicknessMM}, {"gap_mm", w.GapMM}, {"baseline_mm", w.BaselineMM}, {"aperture_mm2", w.ApertureMM2}} {
		if !(v.of > 0 && v.of <= 1000) {
			d.Report(fmt.Sprintf("%s of %v", v.key, v.of), "write a number above 0, up to 1000", "window", v.key)
		}
	}
	for _, v := range []struct {
		key string
		of  float64
	}{{"top_reflectance", w.TopReflectance}, {"inner_scatter", w.InnerScatter}, {"outer_scatter", w.OuterScatter}} {
		if !(v.of >= 0 && v.of <= 1) {
			d.Report(fmt.Sprintf("%s of %v", v.key, v.of), "write a share from 0 to 1", "window", v.key)
		}
	}
	for _, v := range []struct {
		key string
		of  float64
	}{{"index_sd", w.IndexSD}, {"thickness_sd_mm", w.ThicknessSDMM}, {"gap_sd_mm", w.GapSDMM}, {"tilt_sd_deg", w.TiltSDDeg}, {"gasket_mm", w.GasketMM}, {"gasket_sd_mm", w.GasketSDMM}} {
		if !(v.of >= 0) {
			d.Report(v.key+" is negative", "write 0 or more", "window", v.key)
		}
	}
	if !(w.HalfPowerDeg > 0 && w.HalfPowerDeg < 90) {
		d.Report(fmt.Sprintf("a half-power angle of %v degrees", w.HalfPowerDeg), "write the angle from the axis at which half of the intensity is left, such as 25", "window", "half_power_deg")
	}
	if !(math.Abs(w.TiltDeg)+5*w.TiltSDDeg < 45) {
		d.Report("a window tilted as far as 45 degrees", "write tilt_deg and tilt_sd_deg of a few degrees", "window", "tilt_deg")
	}
	out := drawing{window: window.Window{Plate: plate(d, w), BaselineMM: w.BaselineMM, GapMM: w.GapMM, TiltDeg: w.TiltDeg, HalfPowerDeg: w.HalfPowerDeg,
		ApertureMM2: w.ApertureMM2, TopReflectance: w.TopReflectance, InnerScatter: w.InnerScatter, OuterScatter: w.OuterScatter, GasketMM: w.GasketMM},
		tolerances: window.Tolerances{GapMM: w.GapSDMM, ThicknessMM: w.ThicknessSDMM, TiltDeg: w.TiltSDDeg, Index: w.IndexSD, GasketMM: w.GasketSDMM}}
	if u := t.Unit; u != nil {
		for _, v := range []struct {
			key string
			of  float64
		}{{"energy_nj", u.EnergyNJ}, {"optics", u.Optics}, {"detection", u.Detection}, {"acceptance", u.Acceptance}} {
			if !(v.of > 0) || v.key != "energy_nj" && v.of > 1 {
				d.Report(fmt.Sprintf("%s of %v", v.key, v.of), "write a number above 0; optics, detection and acceptance are shares", "unit", v.key)
			}
		}
		if !(u.EnergyRel >= 0 && u.AcceptanceSD >= 0) {
			d.Report("a relative standard deviation is negative", "write 0 or more", "unit")
		}
		out.perFraction = u.EnergyNJ * 1e-9 / photonJ(w.wavelength()) * u.Optics * u.Detection * u.Acceptance
		out.perFractionSD = math.Hypot(u.EnergyRel, u.AcceptanceSD)
	}
	return out, d.Err()
}

func (w drawingWindow) wavelength() float64 {
	if w.WavelengthUM == 0 {
		return usualUM
	}
	return w.WavelengthUM
}

// plate is of a catalogue material, or of an index that is given.
func plate(d *strict.Document, w drawingWindow) window.Plate {
	um := w.wavelength()
	if !(um >= 0.4 && um <= 1.6) {
		d.Report(fmt.Sprintf("a wavelength of %v µm", um), "write 0.4 to 1.6", "window", "wavelength_um")
		um = usualUM
	}
	if w.Index != nil {
		p := window.Plate{ThicknessMM: w.ThicknessMM, Index: *w.Index, GroupIndex: *w.Index}
		if w.GroupIndex != nil {
			p.GroupIndex = *w.GroupIndex
		}
		if w.Material != "" {
			d.Report("material beside index", "keep one of the two", "window", "material")
		}
		if !(p.Index > 1 && p.Index < 5 && p.GroupIndex > 1 && p.GroupIndex < 10) {
			d.Report(fmt.Sprintf("an index of %v", p.Index), "write a number above 1, such as 1.51", "window", "index")
		}
		return p
	}
	var names []string
	for _, m := range window.Materials() {
		if m.Name == w.Material {
			return window.NewPlate(m, um, w.ThicknessMM)
		}
		names = append(names, m.Name)
	}
	d.Report(fmt.Sprintf("material %q is not known", w.Material), "write one of "+strings.Join(names, ", ")+", or index = …", "window")
	return window.Plate{}
}

// photonJ is the energy of a photon, h·c/λ with the constants of the SI.
func photonJ(um float64) float64 { return 6.62607015e-34 * window.SpeedMMPerNS * 1e6 / (um * 1e-6) }
