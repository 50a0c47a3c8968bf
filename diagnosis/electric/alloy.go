package electric

import "sort"

// Alloy is a heating alloy by the name of the table of its temperature factor.
type Alloy string

// The heating alloys.
const (
	NiCr8020 Alloy = "NiCr 80/20 (Cr20Ni80)"
	NiCr7030 Alloy = "NiCr 70/30 (Cr30Ni70)"
	NiCr6015 Alloy = "NiCr 60/15 (Cr15Ni60)"
	NiCr3520 Alloy = "NiCr 35/20 (Cr20Ni35)"
	FeCrAl   Alloy = "FeCrAl (0Cr25Al5)"
)

// AlloySource is where the temperature factors come from.
const AlloySource = "published alloy table (values as in GB/T 1234, from memory)"

type factor struct{ cel, ct float64 }

// factors is Ct = R(T)/R(20 °C) of each alloy, °C ascending (AlloySource). 1 at
// 20 °C is the definition.
var factors = map[Alloy][]factor{
	NiCr8020: {{20, 1}, {100, 1.006}, {300, 1.018}, {400, 1.025}, {500, 1.026}, {600, 1.018}, {700, 1.01}, {900, 1.01}, {1000, 1.014}, {1200, 1.025}},
	NiCr7030: {{20, 1}, {200, 1.016}, {300, 1.028}, {500, 1.044}, {600, 1.036}, {800, 1.028}, {900, 1.029}, {1100, 1.037}, {1200, 1.043}},
	NiCr6015: {{20, 1}, {100, 1.011}, {200, 1.024}, {400, 1.052}, {500, 1.064}, {700, 1.073}, {800, 1.078}, {1000, 1.095}, {1100, 1.109}},
	NiCr3520: {{20, 1}, {100, 1.029}, {200, 1.061}, {400, 1.115}, {500, 1.139}, {700, 1.173}, {800, 1.188}, {1000, 1.219}, {1100, 1.228}},
	FeCrAl:   {{20, 1}, {100, 1.002}, {200, 1.005}, {400, 1.013}, {500, 1.021}, {700, 1.038}, {800, 1.04}, {1000, 1.044}, {1100, 1.046}},
}

// Alloys lists the alloys there are factors for, by name.
func Alloys() []Alloy {
	out := make([]Alloy, 0, len(factors))
	for a := range factors {
		out = append(out, a)
	}
	sort.Slice(out, func(i, k int) bool { return out[i] < out[k] })
	return out
}

// Ct is the resistance of an alloy at a temperature in kelvin over that at
// 20 °C, linear between the points of the table (AlloySource, good to 0.01).
// Outside the table its nearest end holds. False for an unknown alloy.
func (a Alloy) Ct(kelvin float64) (float64, bool) {
	table, ok := factors[a]
	if !ok {
		return 0, false
	}
	cel := kelvin - ice
	i := sort.Search(len(table), func(i int) bool { return table[i].cel >= cel })
	switch i {
	case 0:
		return table[0].ct, true
	case len(table):
		return table[i-1].ct, true
	}
	low, high := table[i-1], table[i]
	return low.ct + (high.ct-low.ct)*(cel-low.cel)/(high.cel-low.cel), true
}

// Cold is the resistance at 20 °C in ohm of an element that has hot ohm at
// kelvin: R/Ct. False for an unknown alloy or no resistance.
func (a Alloy) Cold(hot, kelvin float64) (float64, bool) {
	ct, ok := a.Ct(kelvin)
	if !ok {
		return 0, false
	}
	return known(hot/ct, hot > 0)
}

// Hot is the resistance in ohm at kelvin of an element that has cold ohm at
// 20 °C: R·Ct. False for an unknown alloy or no resistance.
func (a Alloy) Hot(cold, kelvin float64) (float64, bool) {
	ct, ok := a.Ct(kelvin)
	if !ok {
		return 0, false
	}
	return known(cold*ct, cold > 0)
}
