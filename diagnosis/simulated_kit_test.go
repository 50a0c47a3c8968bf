package diagnosis_test

import (
	"hash/fnv"
	"maps"
	"math"
	"math/rand/v2"
	"slices"

	"drumline/diagnosis"
)

// simTool is an instrument: its class, and where in it this one lies.
type simTool struct {
	in   diagnosis.Instrument
	bias float64 // −1 to 1 of the class, the same all visit
}

// simKit is the tech's instruments. Classes [CP], spread evenly over the class
// [inv].
type simKit struct {
	meter, bead, clamp, vane, gauge simTool
	named                           bool    // instruments are entered with the readings
	lead                            float64 // Ω of the leads
	shorted                         bool    // and taken off
}

func (m *simMachine) drawKit(r *rand.Rand) {
	tool := func(in diagnosis.Instrument) simTool { return simTool{in, between(r, -1, 1)} }
	bead := 10.0
	if r.Float64() < 0.4 {
		bead = 20
	}
	m.kit = simKit{
		meter: tool(diagnosis.Instrument{Method: "meter", Percent: 0.8, Counts: 3, Resolution: 0.1}),
		bead:  tool(diagnosis.Instrument{Method: "bead", Counts: bead, Resolution: 0.1}),
		clamp: tool(diagnosis.Instrument{Method: "clamp", Percent: 2, Counts: 3, Resolution: 0.1}),
		vane:  tool(diagnosis.Instrument{Method: "vane", Percent: 3, Counts: 1, Resolution: 0.1}),
		gauge: tool(diagnosis.Instrument{Method: "manometer", Percent: 1, Counts: 1, Resolution: 1}),
		named: r.Float64() < 0.8, lead: between(r, 0.1, 0.3), shorted: r.Float64() < 0.7}
}

// read is x as the tool shows it: off by its own share of the class, its last
// digit by chance.
func (t simTool) read(r *rand.Rand, x, resolution float64) float64 {
	x += t.bias * (t.in.Percent/100*math.Abs(x) + t.in.Counts*resolution)
	x += between(r, -0.5, 0.5) * resolution
	return math.Round(x/resolution) * resolution
}

// simSource is the chance behind one reading: the same check done as often
// gives the same reading, whoever asked for it.
func (m *simMachine) simSource(check, position string, nth int) *rand.Rand {
	return simChance(m.index, check+"/"+position, nth)
}

// simChance is the chance behind one thing about one machine.
func simChance(index uint64, what string, nth int) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte{byte(nth)})
	h.Write([]byte(what))
	return rand.New(rand.NewPCG(index, h.Sum64()))
}

// simAnswer is a reading on its way.
type simAnswer struct {
	m        *simMachine
	r        *rand.Rand
	position string
	values   values
	series   *diagnosis.Series
	tool     *simTool
	digit    float64 // worth of the tool's last digit on the range used
	lead     float64
}

func (a *simAnswer) put(id string, si float64, unit string) {
	a.values[id] = append(a.values[id], diagnosis.Value{SI: si, Unit: unit})
}

func (a *simAnswer) choose(id, choice string) { a.values[id] = chosen(choice) }

func (a *simAnswer) chance(p float64) bool { return a.r.Float64() < p }

// kelvin enters a temperature by the bead.
func (a *simAnswer) kelvin(id string, k float64) {
	a.tool, a.digit = &a.m.kit.bead, 0.1
	a.put(id, a.m.kit.bead.read(a.r, k, 0.1), "[degF]")
}

// ohm enters a resistance by the meter; +Inf is over range. A 6000-count
// display.
func (a *simAnswer) ohm(id string, x float64) {
	a.tool, a.digit = &a.m.kit.meter, 0.1
	if x > 40e6 {
		a.values[id] = []diagnosis.Value{{Over: true, Unit: "Ohm"}}
		return
	}
	for a.digit*6000 < x {
		a.digit *= 10
	}
	if x < 10 && a.chance(0.5) {
		a.digit = 0.01 // a range for contacts
	}
	shown := a.m.kit.meter.read(a.r, x+a.m.kit.lead, a.digit)
	a.put(id, math.Max(0, shown), "Ohm")
	if a.m.kit.shorted {
		a.lead = a.m.kit.lead
	}
}

// wires answers whether the wires were off: not in one of thirty [inv].
func (a *simAnswer) wires() bool {
	if a.chance(1.0 / 30) {
		a.choose("wires_off", "no")
		return false
	}
	a.choose("wires_off", "yes")
	return true
}

// gross is the chance that a reading is simply wrong: wrong row, terminal or
// figure [inv, 0.5 to 1 %].
const gross = 0.008

// slip spoils a reading: another answer, a figure far off.
func (a *simAnswer) slip(choices func(input string) []string) {
	for _, id := range slices.Sorted(maps.Keys(a.values)) {
		vs := a.values[id]
		if c := choices(id); len(c) > 0 {
			if id == "result" || id == "cycling" {
				a.values[id] = chosen(c[a.r.IntN(len(c))])
			}
			continue
		}
		for i := range vs {
			switch vs[i].Unit {
			case "[degF]":
				vs[i].SI += between(a.r, -40, 40) * simDegree
			default:
				vs[i].SI *= []float64{0.1, 0.5, 2, 10}[a.r.IntN(4)]
				vs[i].Over = false
			}
		}
	}
}

// instrument is what is entered of the tool.
func (a *simAnswer) instrument() *diagnosis.Instrument {
	if a.tool == nil || !a.m.kit.named {
		return nil
	}
	in := a.tool.in
	if a.digit > 0 {
		in.Resolution = a.digit
	}
	return &in
}
