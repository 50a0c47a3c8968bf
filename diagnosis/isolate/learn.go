package isolate

import (
	"fmt"
	"math"
	"slices"
)

// Tally is how often each fault was verified in Jobs jobs about one complaint:
// Counts in the order of the built-in priors. A job with two faults counts once
// for each, so that the counts may add up to more than the jobs; a job whose
// cause is none of the faults counts for none.
type Tally struct {
	Jobs   int
	Counts []int
}

// CountJobs tallies jobs, each given by the ids of the faults verified in it.
// A fault named twice in a job counts once there; a job without any is left out,
// for what nobody verified is missing, not negative.
func CountJobs(faults []string, jobs [][]string) Tally {
	t := Tally{Counts: make([]int, len(faults))}
	for _, job := range jobs {
		if len(job) == 0 {
			continue
		}
		t.Jobs++
		for i, f := range faults {
			if slices.Contains(job, f) {
				t.Counts[i]++
			}
		}
	}
	return t
}

// Level is what is known at one level: all machines, those of a kind, those of
// a model. Strength is how many jobs the level above counts for; 0 leaves it to
// FitStrength over Groups, the tallies of this level and of those beside it
// (other kinds, or other models of the kind). Without Groups it is
// UsualStrength.
type Level struct {
	Name string
	Tally
	Strength float64
	Groups   []Tally
}

// LearnedLevel is a level with the shares learned there.
type LearnedLevel struct {
	Level            // Strength is the one that was used
	Basis  Basis     // where the strength comes from
	Shares []float64 // of the complaints, by fault
}

// Learned is what a shop's own verified jobs make of the built-in priors, level
// by level, so that every count and strength can be shown beside the result.
type Learned struct {
	Builtin []float64
	Levels  []LearnedLevel
}

// Priors are the shares at the last level: chances of each fault behind the
// complaint. Without levels they are the built-in ones.
func (l Learned) Priors() []float64 {
	if n := len(l.Levels); n > 0 {
		return slices.Clone(l.Levels[n-1].Shares)
	}
	return slices.Clone(l.Builtin)
}

// Learn draws the built-in priors of one complaint towards what was verified,
// from the widest level to the narrowest:
//
//	share = (count + K·share above) / (jobs + K)
//
// the mean of a Dirichlet prior at each level, K its strength. Without jobs the
// shares are those above; with many they are the frequencies. As long as every
// job counts for exactly one fault, shares that add up to one go on doing so.
//
// Counts must be of verified conclusions only, one complaint at a time: a shop
// sees machines that are complained about, and parts replaced beside the cause
// are not failures.
//
// Errors: a prior that is not above 0 and at most 1, priors that add up to more
// than 1, a count below 0 or above the jobs, tallies of another length.
func Learn(builtin []float64, levels []Level) (Learned, error) {
	if err := checkPriors(builtin); err != nil {
		return Learned{}, err
	}
	out := Learned{Builtin: slices.Clone(builtin)}
	above := out.Builtin
	for _, l := range levels {
		next, err := l.learn(above)
		if err != nil {
			return Learned{}, fmt.Errorf("isolate: level %s: %w", l.Name, err)
		}
		out.Levels = append(out.Levels, next)
		above = next.Shares
	}
	return out, nil
}

func (l Level) learn(above []float64) (LearnedLevel, error) {
	if err := l.check(len(above)); err != nil {
		return LearnedLevel{}, err
	}
	out := LearnedLevel{Level: l, Basis: Given}
	switch {
	case l.Strength > 0 && l.Strength <= maxCost:
	case l.Strength != 0:
		return LearnedLevel{}, fmt.Errorf("strength %v is not a number from 0", l.Strength)
	default:
		s, err := FitStrength(above, l.Groups)
		if err != nil {
			return LearnedLevel{}, err
		}
		out.Strength, out.Basis = s.K, s.Basis
	}
	out.Counts = slices.Clone(l.Counts)
	for i, p := range above {
		out.Shares = append(out.Shares, (float64(l.Counts[i])+out.Strength*p)/(float64(l.Jobs)+out.Strength))
	}
	return out, nil
}

// check says whether a tally is one of n faults.
func (t Tally) check(n int) error {
	if len(t.Counts) != n {
		return fmt.Errorf("%d counts for %d faults", len(t.Counts), n)
	}
	for _, c := range t.Counts {
		if c < 0 || c > t.Jobs {
			return fmt.Errorf("a count of %d in %d jobs", c, t.Jobs)
		}
	}
	if t.Jobs < 0 {
		return fmt.Errorf("%d jobs", t.Jobs)
	}
	return nil
}

func checkPriors(ps []float64) error {
	sum := 0.0
	for i, p := range ps {
		if !(p > 0 && p <= 1) {
			return fmt.Errorf("isolate: built-in prior %d is not above 0 and at most 1", i)
		}
		sum += p
	}
	if math.IsNaN(sum) || sum > 1+1e-9 {
		return fmt.Errorf("isolate: built-in priors add up to %v, more than 1", sum)
	}
	return nil
}
