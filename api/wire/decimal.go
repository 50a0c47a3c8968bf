package wire

import (
	"math"
	"strconv"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/go-json-experiment/json/jsontext"

	"drumline/domain"
)

// maxDecimal bounds the length of a number's text in bytes.
const maxDecimal = 40

// Decimal is a JSON number that keeps the text it was written as, so that the
// digits a meter showed are not lost: 12.50 stays 12.50. Value is finite.
type Decimal struct {
	Text  string
	Value float64
}

// NewDecimal is the decimal of v in its shortest form; v must be finite.
func NewDecimal(v float64) Decimal {
	return Decimal{Text: strconv.FormatFloat(v, 'g', -1, 64), Value: v}
}

// ParseDecimal reads a JSON number. It refuses more than 40 characters,
// numbers beyond a float64, and those so small that they would read as zero.
func ParseDecimal(text string) (Decimal, error) {
	if len(text) > maxDecimal {
		return Decimal{}, domain.Errorf(domain.Unreadable, "A number has at most %d characters.", maxDecimal)
	}
	value := jsontext.Value(text)
	if !value.IsValid() || value.Kind() != '0' || strings.TrimSpace(text) != text {
		return Decimal{}, domain.Errorf(domain.Unreadable, "Give a number.")
	}
	f, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(f, 0) {
		return Decimal{}, domain.Errorf(domain.Unreadable, "The number is too large for this field.")
	}
	mantissa, _, _ := strings.Cut(strings.ToLower(text), "e")
	if f == 0 && strings.ContainsAny(mantissa, "123456789") {
		return Decimal{}, domain.Errorf(domain.Unreadable, "The number is too small for this field.")
	}
	return Decimal{Text: text, Value: f}, nil
}

// UnmarshalJSONFrom reads a JSON number; null is the zero Decimal, as if the
// field were absent (a schema that requires the field refuses null itself).
func (d *Decimal) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	v, err := dec.ReadValue()
	if err != nil {
		return err
	}
	if v.Kind() == 'n' {
		*d = Decimal{}
		return nil
	}
	*d, err = ParseDecimal(string(v))
	return err
}

// MarshalJSONTo writes the text; a decimal without a text is written from its
// value, and one that is not finite is an error.
func (d Decimal) MarshalJSONTo(e *jsontext.Encoder) error {
	text := d.Text
	if text == "" {
		text = NewDecimal(d.Value).Text
	}
	if _, err := ParseDecimal(text); err != nil {
		return err
	}
	return e.WriteValue(jsontext.Value(text))
}

// Schema is a number.
func (Decimal) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeNumber, Description: "A number; its digits are kept as written."}
}
