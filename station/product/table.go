package product

import "example.org/panecal/limits/release"

// The tables of a product file. Units stand in the keys.
type productTable struct {
	Name                 string            `toml:"name" need:"add name = \"…\", what units say of themselves"`
	Limits               string            `toml:"limits"`
	Firmware             []string          `toml:"firmware" need:"add firmware = [\"…\"], the versions that may be calibrated"`
	Reports              string            `toml:"reports" need:"add reports = \"histograms\" or \"summary\""`
	CompensationAlwaysOn bool              `toml:"compensation_always_on"`
	MeasureAfterFailure  bool              `toml:"measure_after_failure"`
	Release              release.Header    `toml:"release"`
	Line                 lineTable         `toml:"line" need:"add [line] with baud = …"`
	Grid                 gridTable         `toml:"grid" need:"add [grid] with rows, cols and the directions of the zones"`
	Bins                 binsTable         `toml:"bins" need:"add [bins] with count, width_ps, first_ps, pile_up and leakage_window_ps"`
	Pulse                pulseTable        `toml:"pulse" need:"add [pulse] with start_ps, step_ps and density"`
	Range                rangeTable        `toml:"range" need:"add [range] with datum_mm, corrects, offsets, tilt and ranging"`
	Temperature          temperatureTable  `toml:"temperature" need:"add [temperature] with reference_cel"`
	Budget               budgetTable       `toml:"budget"`
	Spread               spreadTable       `toml:"spread"`
	Checks               checksTable       `toml:"checks"`
	Capture              captureTable      `toml:"capture" need:"add [capture.empty], [capture.target] and [capture.verify]"`
	Label                labelTable        `toml:"label" need:"add [label] with pattern, check and tie"`
	Constants            constantsTable    `toml:"constants"`
	WarmUp               *warmUpTable      `toml:"warm_up"`
	Requirement          *requirementTable `toml:"requirement"`
	Retest               retestTable       `toml:"retest" need:"add [retest] with max_attempts and after_pass"`
}

type lineTable struct {
	Baud  int    `toml:"baud" need:"add baud = 921600"`
	Open  string `toml:"open"`
	Close string `toml:"close"`
}

type gridTable struct {
	Rows    int       `toml:"rows" need:"add rows = …"`
	Cols    int       `toml:"cols" need:"add cols = …"`
	Ux      []float64 `toml:"ux"`        // tangents, row-major
	Uy      []float64 `toml:"uy"`        // tangents, row-major
	FovXDeg *float64  `toml:"fov_x_deg"` // left edge to right edge
	FovYDeg *float64  `toml:"fov_y_deg"` // top edge to bottom edge
	Spacing string    `toml:"spacing"`
	// The signal of a patch of a plane falls with (1+u²)^(-p/2) over the field.
	FalloffPower *float64 `toml:"falloff_power"`
}

type binsTable struct {
	Count           int       `toml:"count" need:"add count = …, the number of bins"`
	WidthPS         float64   `toml:"width_ps" need:"add width_ps = …"`
	FirstPS         float64   `toml:"first_ps" need:"add first_ps = …, the left edge of bin 0"`
	PileUp          string    `toml:"pile_up" need:"add pile_up = \"none\" or \"first-photon\""`
	LeakageWindowPS []float64 `toml:"leakage_window_ps" need:"add leakage_window_ps = [from, to]"`
	CountMax        *int64    `toml:"count_max"`
	WidthsPS        []float64 `toml:"widths_ps"`      // of each bin, what the product's units share
	WidthsInUnit    bool      `toml:"widths_in_unit"` // units range with them
}

type pulseTable struct {
	StartPS float64   `toml:"start_ps" need:"add start_ps = …, the time of the first point"`
	StepPS  float64   `toml:"step_ps" need:"add step_ps = …"`
	Density []float64 `toml:"density" need:"add density = [ … ]"`
}

type rangeTable struct {
	DatumMM       float64   `toml:"datum_mm" need:"add datum_mm = …, added to the target's distance"`
	Corrects      string    `toml:"corrects" need:"add corrects = \"station\" or \"unit\""`
	Offsets       string    `toml:"offsets" need:"add offsets = \"one\" or \"zones\""`
	Tilt          string    `toml:"tilt" need:"add tilt = \"fixture\" or \"unit\""`
	Ranging       string    `toml:"ranging" need:"add ranging = \"mean\" or \"pulse\""`
	WorkingMM     []float64 `toml:"working_mm" need:"add working_mm = [ … ], the distances that the product is used at"`
	LeakageChange *float64  `toml:"leakage_change" need:"add leakage_change = …, the relative change that range.error_projected assumes, such as 0.5"`
}

type temperatureTable struct {
	ReferenceCel       *float64 `toml:"reference_cel" need:"add reference_cel = …, the temperature that offsets are referred to"`
	CoefficientMMPerK  float64  `toml:"coefficient_mm_per_k"`
	CoefficientUMMPerK float64  `toml:"coefficient_u_mm_per_k"`
	UK                 float64  `toml:"u_k"`
}

type budgetTable struct {
	LeakageChangeU float64 `toml:"leakage_change_u"`
	DirectionURad  float64 `toml:"direction_u_rad"`
	PulseShapeMM   float64 `toml:"pulse_shape_mm"`
	MultipathShare float64 `toml:"multipath_share"`
	UnseenShare    float64 `toml:"unseen_share"` // of a second return that the captures would not show
	QuantisationMM float64 `toml:"quantisation_mm"`
	TimeBase       float64 `toml:"time_base"` // relative, of the clock that bins are counted with
}

// spreadTable holds what both the checks and the budget must allow for.
type spreadTable struct {
	PulseWidth *float64 `toml:"pulse_width"`
	BinWidth   *float64 `toml:"bin_width"`      // relative sd of a width: differential non-linearity
	BinEdgePS  float64  `toml:"bin_edge_ps"`    // sd of a bin's place: integral non-linearity
	ZoneMM     *float64 `toml:"zone_spread_mm"` // sd of the offsets of a unit's zones
}

type checksTable struct {
	FamilyWise   *float64 `toml:"family_wise"`
	FrameExcess  *float64 `toml:"frame_excess"`
	ChangeSigmas *float64 `toml:"change_sigmas"`
	MaxDeadHot   *int     `toml:"max_dead_hot"`
	AmbientMax   *float64 `toml:"ambient_max"`
	TellApartMM  *float64 `toml:"tell_apart_mm"`
	TargetShare  *float64 `toml:"target_share"` // of the live zones, that must see the target
}

type captureTable struct {
	Empty  planTable `toml:"empty" need:"add [capture.empty] with shots and frames"`
	Target planTable `toml:"target" need:"add [capture.target] with shots and frames"`
	Verify planTable `toml:"verify" need:"add [capture.verify] with shots and frames"`
}

type planTable struct {
	Shots  int64 `toml:"shots" need:"add shots = …, in each frame"`
	Frames int   `toml:"frames" need:"add frames = …"`
}

type labelTable struct {
	Pattern string            `toml:"pattern" need:"add pattern = \"…\", a regular expression for the whole serial; \"\" takes any"`
	Check   string            `toml:"check" need:"add check = \"none\" or a system of ISO 7064, such as \"MOD 37,36\""`
	Tie     string            `toml:"tie" need:"add tie = \"unit\", \"list\" or \"first\""`
	Pairs   map[string]string `toml:"pairs"`
}

// requirementTable is what the product promises of its range in use.
type requirementTable struct {
	AllowanceMM float64   `toml:"allowance_mm" need:"add allowance_mm = …, what |bias| + k·sd of a range may be for leakage and noise"`
	K           float64   `toml:"k" need:"add k = 2"`
	Shots       int64     `toml:"shots" need:"add shots = …, of one frame in use"`
	Reflectance []float64 `toml:"reflectance" need:"add reflectance = [ … ], of what the product looks at"`
	Ambient     []float64 `toml:"ambient" need:"add ambient = [ … ], counts per shot and bin"`
	// Relative changes of the leakage since calibration; they add.
	Dirt        float64 `toml:"dirt"`
	Temperature float64 `toml:"temperature"`
	Age         float64 `toml:"age"`
	ChangeU     float64 `toml:"change_u"` // standard uncertainty of their sum
	Added       float64 `toml:"added"`    // counts per shot in a zone, whatever there was
	AmbientBins int     `toml:"ambient_bins"`
	LeakageMM   float64 `toml:"leakage_mm"`
	LeakageUMM  float64 `toml:"leakage_u_mm"`
	Signal      float64 `toml:"signal"` // of the weakest zone at the station's target, counts per shot
}

// constantsTable says what else is done when constants are written.
type constantsTable struct {
	Power   bool `toml:"power"`   // a restart takes the power away, where the fixture can
	Restart any  `toml:"restart"` // "every", "never", or a whole number: one unit in so many
}

type retestTable struct {
	MaxAttempts int               `toml:"max_attempts" need:"add max_attempts = …"`
	MaxReworks  int               `toml:"max_reworks"`
	Reworks     map[string]string `toml:"reworks"`
	AfterPass   bool              `toml:"after_pass" need:"add after_pass = true or false: may a unit that passed run again?"`
}
