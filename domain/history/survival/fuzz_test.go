package survival

import (
	"encoding/binary"
	"math"
	"testing"
)

// feed turns bytes into figures: mostly small ones, now and then any bits.
type feed []byte

func (f *feed) byte() byte {
	if len(*f) == 0 {
		return 0
	}
	b := (*f)[0]
	*f = (*f)[1:]
	return b
}

func (f *feed) whole() int {
	switch b := f.byte(); {
	case b < 240:
		return int(b) - 8
	case b < 250:
		return int(b) * int(f.byte()) * 100
	}
	return int(int64(f.bits()))
}

func (f *feed) bits() uint64 {
	var w [8]byte
	for i := range w {
		w[i] = f.byte()
	}
	return binary.LittleEndian.Uint64(w[:])
}

func (f *feed) float() float64 {
	switch b := f.byte(); {
	case b < 200:
		return float64(b) / 8
	case b < 240:
		return float64(f.byte()) * math.Pow(10, float64(int(f.byte())%30-15))
	}
	return math.Float64frombits(f.bits())
}

func list[T any](f *feed, one func() T) []T {
	xs := make([]T, f.byte()%24)
	for i := range xs {
		xs[i] = one()
	}
	return xs
}

func (f *feed) row() Row { return Row{f.whole(), f.whole(), f.whole() % 5, f.whole()} }

func (f *feed) level() float64 {
	if f.byte() < 200 {
		return 0.95
	}
	return f.float()
}

// FuzzNeverMisleads: no input panics or gives a figure that is not finite, or one
// whose status says that it is none.
func FuzzNeverMisleads(f *testing.F) {
	f.Add([]byte{0, 12, 8, 30, 9, 9, 8, 40, 8, 10, 8, 30, 10, 9})
	f.Add([]byte("\x01\x14abcdefghijklmnopqrstuvwxyz0123456789abcdefghijklmnopqrstuvwxyz"))
	for kind := range byte(8) {
		seed := []byte{kind}
		for i := range 200 {
			seed = append(seed, byte(37*i+11*int(kind)))
		}
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, bytes []byte) {
		in := feed(bytes)
		for _, result := range everything(&in) {
			sound(t, result)
		}
	})
}

// everything computes one family of figures from the bytes.
func everything(in *feed) []any {
	switch in.byte() % 8 {
	case 0:
		rows, level := list(in, in.row), in.level()
		c, a := KaplanMeier(rows, in.whole()%4, level, Limits(in.byte()%3)), CumulativeIncidence(rows, level)
		cause, day := in.whole()%4, in.whole()
		return []any{c, c.Quantile(in.float()), a, a.At(cause, day), a.RestrictedMeans(day), RepeatWithin(rows, cause, day, level), RepeatWithin(From(rows, day), 1, day, level)}
	case 1:
		groups := list(in, func() []Row { return list(in, in.row) })
		return []any{LogRankTest(groups, in.whole()%4, int(in.byte()%2)), GrayTest(groups, in.whole()%4)}
	case 2:
		units := list(in, func() History { return History{in.whole(), in.whole(), list(in, in.whole)} })
		return []any{MeanCumulative(units, in.level())}
	case 3:
		return []any{FitWeibull(list(in, func() Life { return Life{in.float(), in.float(), in.byte()%2 == 0} }), in.level())}
	case 4:
		windows := list(in, func() Window { return Window{in.float(), in.float(), list(in, in.float), in.byte()%4 == 0} })
		law := FitPowerLaw(windows, in.level())
		return []any{TestTrend(windows, in.level()), law, law.MTBFLimits(in.level())}
	case 5:
		groups := list(in, func() Group { return Group{"a", in.float(), in.float()} })
		causes := list(in, func() Cause { return Cause{"b", in.whole(), in.float()} })
		strata := list(in, func() Stratum { return Stratum{in.whole(), in.whole(), in.float()} })
		return []any{RankRates(groups, in.level()), RankShares(groups, in.level()), ParetoOf(causes, in.level()), Standardise(strata, in.level()), BenjaminiHochberg(list(in, in.float))}
	case 6:
		x, n, level := in.float(), in.float(), in.level()
		return []any{Wilson(x, n, level), ClopperPearson(x, n, level), Jeffreys(x, n, level), Newcombe(x, n, in.float(), in.float(), level),
			PoissonRate(in.whole(), in.float(), level), ComparePoisson(in.whole()%5000, in.float(), in.whole()%5000, in.float(), level),
			AtLeast(in.whole(), in.whole(), in.float()), FunnelLimits(in.float(), in.whole()), GChartLimits(in.float()), AtMostGood(in.whole(), in.float())}
	}
	m := in.whole()
	chart := Cusum{K: in.float(), H: in.float(), Start: in.float(), Reset: in.byte()%2 == 0}
	alarms := Alarms{in.whole(), in.float(), in.float()}
	return []any{chart.Run(list(in, func() Observation { return Observation{in.float(), in.float()} })),
		PoissonARL(in.float(), in.float(), in.float(), m, in.float()), BernoulliARL(m, in.float(), in.float(), in.float()), NormalARL(in.float(), in.float(), in.float()),
		NormalARLBothSides(in.float(), in.float(), in.float()), ChooseBernoulli(in.float(), in.float(), alarms), ChoosePoisson(in.float(), in.float(), m, alarms), PoissonK(in.float(), in.float())}
}
