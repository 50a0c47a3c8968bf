package catalogue

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// OwnPrefix begins the id of everything a supplement adds, so that content
// built in later never meets it.
const OwnPrefix = "own_"

// ownShare is the most that the causes a supplement adds to a built-in
// complaint may take together: what the trade knows is never drowned.
const ownShare = 0.9

// Supplement is what a shop adds to one built-in kind. What it adds carries
// ids that begin with OwnPrefix and may refer to everything of the kind and of
// the shop's other supplements. It takes nothing away: built-in checks,
// cautions and closing items stay.
type Supplement struct {
	Kind       string         `json:"kind,omitempty"`
	Title      string         `json:"title,omitempty"`
	Note       string         `json:"note,omitempty"`
	Features   []Feature      `json:"features,omitempty"`
	Parameters []Parameter    `json:"parameters,omitempty"`
	Parts      []Part         `json:"parts,omitempty"`
	Faults     []Fault        `json:"faults,omitempty"`
	Actions    []Action       `json:"actions,omitempty"`
	Checks     []Check        `json:"checks,omitempty"`
	Complaints []Complaint    `json:"complaints,omitempty"`
	Causes     []AddedCause   `json:"causes,omitempty"`
	Closing    []AddedClosing `json:"closing,omitempty"`
	Limits     []LimitChange  `json:"limits,omitempty"`
	Models     []Model        `json:"models,omitempty"`
}

// AddedCause ties a fault to a complaint that is there already. The causes
// that explain the complaint are scaled down to make room for its prior.
type AddedCause struct {
	Complaint string `json:"complaint,omitempty"`
	Cause
}

// AddedClosing is one more thing that must be on record before a unit with the
// complaint goes back to service.
type AddedClosing struct {
	Complaint string `json:"complaint,omitempty"`
	Closing
}

// LimitChange puts the shop's figures in the place of a built-in check's. The
// data sheet still wins. A published limit is not replaced.
type LimitChange struct {
	Check  string   `json:"check,omitempty"`
	Limit  string   `json:"limit,omitempty"`
	Low    *float64 `json:"low,omitempty"`
	High   *float64 `json:"high,omitempty"`
	Unit   string   `json:"unit,omitempty"`
	Source string   `json:"source,omitempty"` // where the shop has it from
}

// Model is what the shop knows of a model: a unit of that model that is
// entered without features takes these.
type Model struct {
	Maker    string   `yaml:"maker" json:"maker,omitempty"`
	Model    string   `yaml:"model" json:"model,omitempty"`
	Fuel     string   `yaml:"fuel" json:"fuel,omitempty"` // electric or gas
	Features []string `yaml:"features" json:"features,omitempty"`
	Watts    *float64 `yaml:"rated_watts" json:"rated_watts,omitempty"`
	Volts    *float64 `yaml:"supply_volts" json:"supply_volts,omitempty"`
}

// Extend gives the catalogue with the supplements, applied in their order, and
// for each supplement the flaws it has; one with flaws is left out. Paths are
// those of the supplement. The catalogue itself does not change.
func (c *Catalogue) Extend(ss []Supplement) (*Catalogue, [][]Flaw) {
	flaws := make([][]Flaw, len(ss))
	out := &Catalogue{Kinds: slices.Clone(c.Kinds), kinds: map[string]*Kind{}}
	for i, k := range out.Kinds {
		out.Kinds[i] = k.extend(ss, flaws)
		out.kinds[k.ID] = out.Kinds[i]
	}
	hash := sha256.New()
	for i := range ss {
		if _, ok := c.Kind(ss[i].Kind); !ok {
			flaws[i] = append(flaws[i], Flaw{"kind", fmt.Sprintf("there is no kind %q", ss[i].Kind)})
		}
		if len(flaws[i]) == 0 {
			writeHash(hash.Write, ss[i])
		}
	}
	out.Version = c.Version + "-" + hex.EncodeToString(hash.Sum(nil))[:16]
	return out, flaws
}

// writeHash writes a supplement in one well-defined form.
func writeHash(write func([]byte) (int, error), s Supplement) {
	text, err := json.Marshal(s)
	if err != nil { // its numbers were checked to be finite
		text = []byte(err.Error())
	}
	_, _ = write(text)
}

// extend applies the supplements of the kind: all at once if together they are
// sound, else one by one, leaving out the unsound.
func (k *Kind) extend(ss []Supplement, flaws [][]Flaw) *Kind {
	var mine []int
	for i := range ss {
		if ss[i].Kind == k.ID {
			mine = append(mine, i)
		}
	}
	if len(mine) == 0 {
		return k
	}
	whole, kept := k, true
	for _, i := range mine {
		e := extension{base: whole, s: &ss[i]}
		next := e.apply()
		kept = kept && len(e.flaws) == 0
		whole = next
	}
	if kept && len(validateOwn(whole)) == 0 {
		return whole
	}
	whole = k
	for _, i := range mine {
		e := extension{base: whole, s: &ss[i]}
		next := e.apply()
		for _, f := range validateOwn(next) {
			e.flaws = append(e.flaws, Flaw{e.path(f.Path), f.Message})
		}
		if flaws[i] = e.flaws; len(e.flaws) == 0 {
			whole = next
		}
	}
	return whole
}

// validateOwn is validate for a kind with supplements, which may carry the
// shop's own figures.
func validateOwn(k *Kind) []Flaw {
	v := &validator{kind: k, own: true}
	v.all()
	return v.flaws
}

// extension is one supplement on its way into a kind.
type extension struct {
	base  *Kind
	s     *Supplement
	out   *Kind
	flaws []Flaw
}

func (e *extension) fail(path, format string, args ...any) {
	e.flaws = append(e.flaws, Flaw{path, fmt.Sprintf(format, args...)})
}

// apply gives the base with the supplement. The base's lists are not touched.
func (e *extension) apply() *Kind {
	k := *e.base
	e.out = &k
	e.head()
	k.Features = added(e, "features", k.Features, e.s.Features, func(x *Feature) string { return x.ID })
	k.Parameters = added(e, "parameters", k.Parameters, e.s.Parameters, func(x *Parameter) string { return x.ID })
	k.Parts = added(e, "parts", k.Parts, e.s.Parts, func(x *Part) string { return x.ID })
	k.Faults = added(e, "faults", k.Faults, e.s.Faults, func(x *Fault) string { return x.ID })
	k.Actions = added(e, "actions", k.Actions, e.s.Actions, func(x *Action) string { return x.ID })
	k.Checks = added(e, "checks", k.Checks, e.s.Checks, func(x *Check) string { return x.ID })
	k.Complaints = added(e, "complaints", k.Complaints, e.s.Complaints, func(x *Complaint) string { return x.ID })
	k.Models = slices.Concat(k.Models, e.s.Models)
	e.limits()
	e.causes()
	e.closing()
	e.models()
	k.build()
	return &k
}

func (e *extension) head() {
	if strings.TrimSpace(e.s.Title) == "" {
		e.fail("title", "must not be empty")
	}
	for _, text := range []struct{ path, text string }{{"title", e.s.Title}, {"note", e.s.Note}} {
		if phrase := Defeats(text.text); phrase != "" {
			e.fail(text.path, "no text may tell anyone to defeat a safety device: %q", phrase)
		}
	}
	n := len(e.s.Features) + len(e.s.Parameters) + len(e.s.Parts) + len(e.s.Faults) + len(e.s.Actions) + len(e.s.Checks) +
		len(e.s.Complaints) + len(e.s.Causes) + len(e.s.Closing) + len(e.s.Limits) + len(e.s.Models)
	if n == 0 {
		e.fail("", "adds nothing")
	}
}

// added appends a supplement's items to a list of the kind.
func added[T any](e *extension, path string, base, more []T, id func(*T) string) []T {
	for i := range more {
		if x := id(&more[i]); !strings.HasPrefix(x, OwnPrefix) {
			e.fail(join(at(path, i), "id"), "%q does not begin with %s: what a shop adds keeps out of the way of what is built in", x, OwnPrefix)
		}
	}
	return slices.Concat(base, more)
}

// limits puts the shop's figures into copies of the checks they are for.
func (e *extension) limits() {
	for i := range e.s.Limits {
		o, path := &e.s.Limits[i], at("limits", i)
		n := slices.IndexFunc(e.out.Checks, func(c Check) bool { return c.ID == o.Check })
		if n < 0 {
			e.fail(join(path, "check"), "there is no check %q", o.Check)
			continue
		}
		ch := &e.out.Checks[n]
		ch.Limits = slices.Clone(ch.Limits)
		m := slices.IndexFunc(ch.Limits, func(l Limit) bool { return l.ID == o.Limit })
		switch {
		case m < 0:
			e.fail(join(path, "limit"), "check %s has no limit %q", o.Check, o.Limit)
		case ch.Limits[m].Mark == Published:
			e.fail(join(path, "limit"), "%s of %s is published (%s): it holds for every shop", o.Limit, o.Check, ch.Limits[m].Source)
		case o.Low == nil && o.High == nil:
			e.fail(path, "gives neither low nor high")
		case o.Low == nil && ch.Limits[m].Low != nil, o.High == nil && ch.Limits[m].High != nil:
			e.fail(path, "leaves one end of %s of %s open that is closed: give low and high", o.Limit, o.Check)
		default:
			l := &ch.Limits[m]
			l.Low, l.High, l.Mark, l.Source, l.Indispensable = o.Low, o.High, Own, o.Source, false
			if o.Unit != "" {
				l.Unit = o.Unit
			}
		}
	}
}

// causes adds causes to complaints that are there and makes room for them.
func (e *extension) causes() {
	room := map[string]float64{}
	for i := range e.s.Causes {
		a, path := &e.s.Causes[i], at("causes", i)
		n := e.complaint(path, a.Complaint)
		if n < 0 {
			continue
		}
		c := &e.out.Complaints[n]
		if room[c.ID] == 0 {
			c.Causes = slices.Clone(c.Causes)
		}
		if a.Explains == ExplainsYes && a.Prior > 0 {
			room[c.ID] += a.Prior
		}
		c.Causes = append(c.Causes, a.Cause)
	}
	for i := range e.out.Complaints {
		c := &e.out.Complaints[i]
		if r := room[c.ID]; r > ownShare {
			e.fail("causes", "take %.2f of %s; at most %.1f", r, c.ID, ownShare)
		} else if r > 0 {
			e.scale(c, 1-r)
		}
	}
}

// scale makes room: the causes that were there keep their order.
func (e *extension) scale(c *Complaint, by float64) {
	before, _ := e.base.Complaint(c.ID)
	n := 0
	if before != nil {
		n = len(before.Causes)
	}
	c.Causes = slices.Clone(c.Causes)
	for i := range c.Causes[:n] {
		if c.Causes[i].Explains == ExplainsYes {
			c.Causes[i].Prior *= by
		}
	}
}

func (e *extension) closing() {
	for i := range e.s.Closing {
		if n := e.complaint(at("closing", i), e.s.Closing[i].Complaint); n >= 0 {
			c := &e.out.Complaints[n]
			c.Closing = append(slices.Clone(c.Closing), e.s.Closing[i].Closing)
		}
	}
}

// complaint finds a complaint that was there before this supplement; -1 and a
// flaw when there is none.
func (e *extension) complaint(path, id string) int {
	if _, ok := e.base.Complaint(id); !ok {
		e.fail(join(path, "complaint"), "there is no complaint %q to add to", id)
		return -1
	}
	return slices.IndexFunc(e.out.Complaints, func(c Complaint) bool { return c.ID == id })
}

func (e *extension) models() {
	for i := range e.s.Models {
		m, path := &e.s.Models[i], at("models", i)
		if strings.TrimSpace(m.Model) == "" {
			e.fail(join(path, "model"), "must not be empty")
		}
		if !slices.Contains([]string{"", "electric", "gas"}, m.Fuel) {
			e.fail(join(path, "fuel"), "%q is neither electric nor gas", m.Fuel)
		}
		for n, f := range m.Features {
			known := slices.ContainsFunc(e.out.Features, func(x Feature) bool { return x.ID == f })
			if !known || slices.Contains(m.Features[:n], f) {
				e.fail(at(join(path, "features"), n), "there is no feature %q, or it stands twice", f)
			}
		}
		for _, x := range []struct {
			name  string
			value *float64
		}{{"rated_watts", m.Watts}, {"supply_volts", m.Volts}} {
			if x.value != nil && !(*x.value > 0 && *x.value <= 100_000) {
				e.fail(join(path, x.name), "must be above 0 and at most 100000, is %g", *x.value)
			}
		}
		if twice := slices.IndexFunc(e.out.Models, func(o Model) bool { return SameModel(o.Model, m.Model) }); twice < len(e.base.Models)+i {
			e.fail(join(path, "model"), "%q is there twice", m.Model)
		}
	}
}

// SameModel compares two models without case, spaces and punctuation.
func SameModel(a, b string) bool { return NormModel(a) == NormModel(b) }

// NormModel is a model without case, spaces and punctuation.
func NormModel(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		case r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			return r
		}
		return -1
	}, s)
}

// Model gives what the shop knows of a model.
func (k *Kind) Model(model string) (*Model, bool) {
	for i := range k.Models {
		if n := NormModel(model); n != "" && NormModel(k.Models[i].Model) == n {
			return &k.Models[i], true
		}
	}
	return nil, false
}

var element = regexp.MustCompile(`^([a-z_]+)\[(\d+)\](.*)$`)

// path words the path of a flaw in the kind as one in the supplement; empty
// when the supplement as a whole is to blame.
func (e *extension) path(merged string) string {
	m := element.FindStringSubmatch(merged)
	if m == nil {
		return ""
	}
	i, _ := strconv.Atoi(m[2])
	before := map[string]int{"features": len(e.base.Features), "parameters": len(e.base.Parameters), "parts": len(e.base.Parts),
		"faults": len(e.base.Faults), "actions": len(e.base.Actions), "checks": len(e.base.Checks), "complaints": len(e.base.Complaints)}
	if n, ok := before[m[1]]; ok && i >= n {
		return at(m[1], i-n) + m[3]
	}
	switch {
	case m[1] == "checks" && i < len(e.out.Checks):
		return e.limitPath(&e.out.Checks[i], m[3])
	case m[1] == "complaints" && i < len(e.base.Complaints):
		return e.complaintPath(&e.base.Complaints[i], m[3])
	}
	return ""
}

// limitPath is the path of the shop's figure that a flaw of a built-in check's
// limit comes from.
func (e *extension) limitPath(c *Check, rest string) string {
	m := element.FindStringSubmatch(strings.TrimPrefix(rest, "."))
	if m == nil || m[1] != "limits" {
		return ""
	}
	n, _ := strconv.Atoi(m[2])
	i := slices.IndexFunc(e.s.Limits, func(o LimitChange) bool { return n < len(c.Limits) && o.Check == c.ID && o.Limit == c.Limits[n].ID })
	if i < 0 {
		return ""
	}
	return at("limits", i) + m[3]
}

// complaintPath is the path of the cause or closing item that was added to a
// complaint and has a flaw.
func (e *extension) complaintPath(c *Complaint, rest string) string {
	m := element.FindStringSubmatch(strings.TrimPrefix(rest, "."))
	if m == nil {
		return ""
	}
	n, _ := strconv.Atoi(m[2])
	switch m[1] {
	case "causes":
		return nth(m, e.s.Causes, n-len(c.Causes), func(a *AddedCause) bool { return a.Complaint == c.ID })
	case "closing":
		return nth(m, e.s.Closing, n-len(c.Closing), func(a *AddedClosing) bool { return a.Complaint == c.ID })
	}
	return ""
}

// nth is the path of the n-th item that belongs.
func nth[T any](m []string, items []T, n int, belongs func(*T) bool) string {
	for i := range items {
		if !belongs(&items[i]) {
			continue
		}
		if n == 0 {
			return at(m[1], i) + m[3]
		}
		n--
	}
	return ""
}
