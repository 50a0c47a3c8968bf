package catalogue

import (
	"reflect"
	"regexp"
	"strings"
)

// maxWords is how long a sentence of an instruction or caution may be: it is
// read from a telephone, with a torch in the other hand.
const maxWords = 20

// lint refuses text that tells anyone to defeat a safety device, wherever it
// stands, and instructions or cautions in long sentences.
func (v *validator) lint() {
	eachString("", reflect.ValueOf(v.kind).Elem(), func(path, s string) {
		if phrase := Defeats(s); phrase != "" {
			v.fail(path, "no text may tell anyone to defeat a safety device: %q", phrase)
		}
	})
	for i := range v.kind.Checks {
		path := at("checks", i)
		v.short(join(path, "instructions"), v.kind.Checks[i].Instructions)
		v.short(join(path, "cautions"), v.kind.Checks[i].Cautions)
	}
}

func (v *validator) short(path string, texts []string) {
	for i, text := range texts {
		for _, s := range sentenceEnd.Split(text, -1) {
			if n := len(strings.Fields(s)); n > maxWords {
				v.fail(at(path, i), "a sentence of %d words; at most %d", n, maxWords)
			}
		}
	}
}

var sentenceEnd = regexp.MustCompile(`[.!?;]+(\s+|$)|\n+`)

// eachString visits every string below x, map keys too, with the path its
// line is found by.
func eachString(path string, x reflect.Value, visit func(path, s string)) {
	switch x.Kind() {
	case reflect.String:
		visit(path, x.String())
	case reflect.Pointer:
		if !x.IsNil() {
			eachString(path, x.Elem(), visit)
		}
	case reflect.Slice:
		for i := range x.Len() {
			eachString(at(path, i), x.Index(i), visit)
		}
	case reflect.Map:
		for _, key := range x.MapKeys() {
			visit(path, key.String())
			eachString(join(path, key.String()), x.MapIndex(key), visit)
		}
	case reflect.Struct:
		for i := range x.NumField() {
			if tag := x.Type().Field(i).Tag.Get("yaml"); tag != "" {
				eachString(join(path, tag), x.Field(i), visit)
			}
		}
	}
}

// device matches what protects people or the house.
const device = `(limits?|limit stat|cut[- ]?offs?|cut[- ]?outs?|fuses?|fusible links?|thermostats?|(door|belt|lid|float|pressure|safety|centrifugal) switch(es)?|interlocks?|overloads?|breakers?|gfcis?|ground(ing)? (pin|wire|prong)s?|barriers?|safety devices?|safeties|safety|flame sensors?|anti-tip)`

// defeat matches words that have hardly another meaning in a repair. The
// other patterns need a device in the same sentence.
var (
	defeat     = regexp.MustCompile(`\b(by-?pass(es|ing)?|by pass|jumper(s|ing)?|jump(s|ing)? (out|across|over|around|past)|defeat(s|ing)?|short(s|ing)? out|shunt(s|ing)?|bridg(e|es|ing))\b`)
	defeated   = regexp.MustCompile(`\b(by-?passed|jumpered|jumped (out|across)|defeated|shorted out|shunted|bridged)\b`)
	withDevice = []*regexp.Regexp{
		regexp.MustCompile(`\b(short(s|ing)? (the|a|an|it|its|them|both|across|this|that|out)|shorting|disabl(e|es|ing)|overrid(e|es|ing)|join(s|ing)?|link(s|ing)?|loop(s|ing)?|tap(e|es|ing) (over|down|back|shut|closed)|wedg(e|es|ing)|prop(s|ping)?|pin(s|ning)? (down|in|shut|closed)|tie(s)? (down|in|back|shut|closed)|eliminat(e|es|ing)|deactivat(e|es|ing))\b[^,]*\b` + device + `\b`),
		regexp.MustCompile(`\b(hold|press|keep|lock|tape|wedge|tie|prop|force|jam)\b[^,]*\b` + device + `\b[^,]*\b(in|down|shut|closed|depressed|pressed)\b`),
		regexp.MustCompile(`\b(wire|connect|put|clip|fit|run|place|use|solder|twist|join)\b[^,]*\b(across|around|past|over|instead of|in place of)\b[^,]*\b` + device + `\b`),
		regexp.MustCompile(`\b(replace|swap)\b[^,]*\b` + device + `\b[^,]*\b(with|for|by)( \w+){0,4} (wire|foil|nail|coin|bolt|penny|clip|jumper|screw)\b`),
		regexp.MustCompile(`\b(run|operate|start|use|test|try)\b[^,]*\bwithout\b[^,]*\b` + device + `\b`),
		regexp.MustCompile(`\b(take|cut|leave|wire|remove)\b[^,]*\b` + device + `\b[^,]*\b(out of (the )?circuit|from the circuit|out for good|disconnected)\b`),
		regexp.MustCompile(`\b(fit|use|install|put in|swap for|swap)\b[^,]*\b(larger|bigger|higher[- ]rated|stronger|slower)\b[^,]*\b(fuse|breaker)s?\b`),
		regexp.MustCompile(`\b(connect|twist|tie|clip|join|touch|solder|crimp|splice|hook)\b.*\b` + device + `\b.*\b(together|to each other)\b`),
		regexp.MustCompile(`\b(remove|pull|take|unplug)\b.*\b` + device + `\b.*\b(join|connect|splice|twist|crimp|solder|hook) (up )?(the|its|both|these|those) (two )?(wires|leads|ends|tabs)\b`),
		regexp.MustCompile(`\b(cut|break|snap|bend|remove) (off )?the ground(ing)? (pin|wire|prong)\b`),
	}
)

// Defeats gives the words of text that tell someone to put a safety device
// out of action, empty when there are none. It lets pass a prohibition
// ("never bypass a limit") and a statement of what was found ("found
// bypassed"). It rather refuses a harmless sentence than lets a harmful one
// pass: word it another way.
func Defeats(text string) string {
	text = strings.ToLower(text)
	if snake.MatchString(text) {
		return defeatsByName(text)
	}
	for _, s := range sentenceEnd.Split(text, -1) {
		if p := ordered(s); p != "" {
			return p
		}
	}
	return ""
}

// defeatsByName judges an id: one that orders is refused, one that names a
// state is not.
func defeatsByName(id string) string {
	return defeat.FindString(strings.ReplaceAll(id, "_", " "))
}

func ordered(s string) string {
	for _, m := range defeat.FindAllStringIndex(s, -1) {
		if !forbidden(s[:m[0]]) && !noun(s, m[0]) {
			return s[m[0]:m[1]]
		}
	}
	for _, m := range defeated.FindAllStringIndex(s, -1) {
		if !reported(s[:m[0]]) {
			return s[m[0]:m[1]]
		}
	}
	for _, re := range withDevice {
		for _, m := range re.FindAllStringIndex(s, -1) {
			if !forbidden(s[:m[0]]) {
				return s[m[0]:m[1]]
			}
		}
	}
	return ""
}

// A prohibition reaches the verb over these words only, so that "if the fuse
// is not there bypass it" is no prohibition.
var (
	prohibits = regexp.MustCompile(`(\b(never|not|cannot|nor|nobody|without|avoid|against|neither|forbidden to)|n't)((,|\s)+(` +
		`ever|to|even|be|try|attempt|may|must|should|allowed|permitted|you|or|by-?pass(ing)?|jumper(ing)?|bridg(e|ing)|defeat(ing)?|short(ing)?( out)?|disabl(e|ing)|overrid(e|ing)|remov(e|ing)))*[\s,]*$`)
	report  = regexp.MustCompile(`\b(found|was|were|had been|has been|have been|nothing|nothing is|not|never|whether|if|is anything|someone has|somebody)( \w+){0,4} $`)
	permits = regexp.MustCompile(`\b(can|may|could|should|must|might|to|will|shall) be $|\b(leave|keep|run|start|operate|test)\b[^,]*$`)
	making  = regexp.MustCompile(`\b(fit|make|install|use|put|add|wire|connect|place|solder|clip|leave|keep)\b`)
	article = regexp.MustCompile(`\b(a|an|any|the|every|this|that|no) $`)
)

func forbidden(before string) bool { return prohibits.MatchString(before) }

// noun says whether the word is the thing itself and nobody is told to make
// one: "take the jumper away", "look for a bypass".
func noun(s string, i int) bool {
	return article.MatchString(s[:i]) && !making.MatchString(s)
}

// reported says whether the words before make "bypassed" a finding.
func reported(before string) bool {
	return report.MatchString(before) && !permits.MatchString(before)
}
