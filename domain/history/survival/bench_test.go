package survival

import (
	"math"
	"testing"
)

// manyRows are n repairs over three years.
func manyRows(n int) []Row {
	rng := shop(99)
	rows := make([]Row, n)
	for i := range rows {
		back, cut := whole(rng.ExpFloat64()*700), 1+rng.IntN(1095)
		rows[i] = followed(i, 0, min(back, cut), 0)
		if back <= cut {
			rows[i].Cause = 1 + rng.IntN(3)
		}
	}
	return rows
}

func BenchmarkKaplanMeierMillion(b *testing.B) {
	rows := manyRows(1_000_000)
	for b.Loop() {
		KaplanMeier(rows, 1, 0.95, LogLog)
	}
}

func BenchmarkRepeatWithinMillion(b *testing.B) {
	rows := manyRows(1_000_000)
	for b.Loop() {
		RepeatWithin(rows, 1, 90, 0.95)
	}
}

func BenchmarkIncidenceMillion(b *testing.B) {
	rows := manyRows(1_000_000)
	for b.Loop() {
		c := CumulativeIncidence(rows, 0.95)
		c.At(1, 90)
	}
}

// Fifty groups of 20,000: the curve and the rate of each, and a test of all.
func BenchmarkFiftyGroupsMillion(b *testing.B) {
	rows := manyRows(1_000_000)
	groups := make([][]Row, 50)
	for i := range groups {
		groups[i] = rows[20_000*i : 20_000*(i+1)]
	}
	for b.Loop() {
		for _, g := range groups {
			KaplanMeier(g, 1, 0.95, LogLog)
			RepeatWithin(g, 1, 90, 0.95)
		}
		LogRankTest(groups, 1, 0)
	}
}

func manyLives(n int) []Life {
	lives := make([]Life, n)
	for i, r := range manyRows(n) {
		lives[i] = Life{Exit: float64(r.Exit), Failed: r.Cause > 0}
	}
	return lives
}

func BenchmarkWeibullMillion(b *testing.B) {
	lives := manyLives(1_000_000)
	for b.Loop() {
		FitWeibull(lives, 0.95)
	}
}

// Fifty thousand times that are not whole and cannot be added up.
func BenchmarkWeibullFractions(b *testing.B) {
	lives := manyLives(50_000)
	for i := range lives {
		lives[i].Exit += math.Abs(math.Sin(float64(i)))
	}
	for b.Loop() {
		FitWeibull(lives, 0.95)
	}
}

func BenchmarkMeanCumulative(b *testing.B) {
	rng := shop(98)
	units := make([]History, 10_000)
	for i := range units {
		units[i].To = 1 + rng.IntN(1095)
		for range rng.IntN(4) {
			units[i].Events = append(units[i].Events, 1+rng.IntN(units[i].To))
		}
	}
	for b.Loop() {
		MeanCumulative(units, 0.95)
	}
}

func BenchmarkChooseBernoulli(b *testing.B) {
	for b.Loop() {
		ChooseBernoulli(0.05, 0.1, Alarms{Charts: 50, Observations: 200, FalseAlarms: 2})
	}
}
