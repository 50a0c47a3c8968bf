package seed

import "drumline/domain"

// shop is an invented shop as it is planned.
type shop struct {
	code, name, zone string
	people           []person
	customers        int
	models           []model
	lat, lon         float64 // of the workshop; the town around it is invented
}

// person is somebody who signs in. The first of a shop is its owner.
type person struct {
	name, email string
	role        domain.Role
	competences []string
}

// SignIn is what a person types to sign in.
type SignIn struct {
	Shop  string // sign-in code of the shop
	Name  string
	Role  domain.Role
	Email string
}

// SignIns lists everybody who can sign in, the main shop first. The password
// of all is Password.
func SignIns() []SignIn {
	var out []SignIn
	for _, s := range []shop{mainShop, smallShop} {
		for _, p := range s.people {
			out = append(out, SignIn{Shop: s.code, Name: p.name, Role: p.role, Email: p.email})
		}
	}
	return out
}

// Find gives the first person of a role in the main shop.
func Find(role domain.Role) SignIn {
	for _, s := range SignIns() {
		if s.Role == role {
			return s
		}
	}
	return SignIn{}
}

var mainShop = shop{
	code: "quillmarsh", name: "Quillmarsh Appliance Repair", zone: "America/Denver", customers: 60, models: models, lat: 44.61, lon: -104.72,
	people: []person{
		{"Odessa Thrane", "odessa@quillmarsh.example", domain.Owner, []string{"live"}},
		{"Pim Calloway", "pim@quillmarsh.example", domain.Dispatcher, nil},
		{"Juno Farrow", "juno@quillmarsh.example", domain.Tech, []string{"live"}},
		{"Bex Tolliver", "bex@quillmarsh.example", domain.Tech, nil},
		{"Ike Marsden", "ike@quillmarsh.example", domain.Tech, []string{"live", "gas"}},
	},
}

var smallShop = shop{
	code: "otterby", name: "Otterby Home Repair", zone: "America/Chicago", customers: 8, models: models[:3], lat: 43.07, lon: -99.31,
	people: []person{
		{"Greta Holloway", "greta@otterby.example", domain.Owner, []string{"live"}},
		{"Sol Winterbourne", "sol@otterby.example", domain.Dispatcher, nil},
		{"Tavi Brook", "tavi@otterby.example", domain.Tech, nil},
	},
}

var (
	firstNames = []string{"Ada", "Bram", "Celia", "Doro", "Emil", "Fenna", "Gus", "Hattie", "Ivo", "Jessa", "Kip", "Lena", "Milo", "Nell", "Orrin",
		"Perla", "Quentin", "Rosa", "Stellan", "Tilda", "Una", "Vance", "Willa", "Xander", "Yara", "Zeb"}
	lastNames = []string{"Ashcombe", "Birchall", "Cotter", "Dunmore", "Elphick", "Fairbrook", "Gossamer", "Hartwell", "Ironside", "Jessop", "Kettering",
		"Larkmoor", "Mapplewick", "Northey", "Oakhanger", "Pemberly", "Quarrie", "Rushmere", "Stonebeck", "Thistlewood", "Underhill", "Venn",
		"Wetherell", "Yarrow"}
	streets = []string{"Mill Road", "Heron Lane", "Quarry Street", "Old Ferry Road", "Tannery Row", "Larch Avenue", "Chapel Hill", "Saddler's Court",
		"Reed Close", "Station Parade"}
	accessNotes = []string{"", "", "", "Ring twice.", "Key with the neighbour at number 3.", "Dog in the yard: phone ahead.", "Laundry in the cellar, steep stairs.",
		"Park behind the house."}
	complaints = []string{"Clothes come out too hot to touch.", "The top of the dryer gets very hot.", "Shirts come out scorched at the hem.",
		"It smells hot and the laundry room gets warm.", "Towels are far too hot and still damp in the middle.", "It gets hotter than it used to."}
)

// model is an invented model with what its data sheet states. Temperatures are
// degrees Fahrenheit, resistances ohm.
type model struct {
	maker, name string
	features    []string
	rating      float64 // cycling thermostat opens; 0 with a thermistor
	highLimit   float64 // high limit opens
	offLow      float64 // outlet at which the heat goes off on HIGH
	offHigh     float64
	bias        float64 // bias heater, nominal; plus or minus 15 %
	r25, beta   float64 // thermistor: resistance at 25 °C and its B constant
	coil        float64 // cold, nominal; plus or minus 7 %
	coil2       float64 // of a dual coil; both coils in coil and coil2
	watts       float64
	pressure    float64 // greatest back-pressure, inches of water
}

var models = []model{
	{maker: "Maker A", name: "TW-310", features: []string{"bias_heater", "low_setting"}, rating: 150, highLimit: 220, offLow: 140, offHigh: 160,
		bias: 5100, coil: 10.2, watts: 5300, pressure: 0.6},
	{maker: "Maker A", name: "TW-320", features: []string{"bias_heater", "low_setting", "moisture_bars"}, rating: 145, highLimit: 220, offLow: 136, offHigh: 155,
		bias: 4700, coil: 10.6, watts: 5200, pressure: 0.6},
	{maker: "Maker A", name: "TW-500", features: []string{"thermistor", "low_setting", "moisture_bars"}, highLimit: 235, offLow: 142, offHigh: 160,
		r25: 11_000, beta: 3800, coil: 10.2, watts: 5500, pressure: 0.7},
	{maker: "Maker B", name: "Corva 8", features: []string{"bias_heater", "low_setting"}, rating: 140, highLimit: 205, offLow: 131, offHigh: 150,
		bias: 5900, coil: 11.0, watts: 5000, pressure: 0.5},
	{maker: "Maker B", name: "Corva 9", features: []string{"thermistor", "low_setting"}, highLimit: 205, offLow: 138, offHigh: 156,
		r25: 9_200, beta: 3650, coil: 11.0, watts: 5000, pressure: 0.5},
	{maker: "Maker B", name: "Corva 12 Duo", features: []string{"thermistor", "low_setting", "moisture_bars", "dual_coil"}, highLimit: 235, offLow: 143, offHigh: 162,
		r25: 12_500, beta: 3900, coil: 20.5, coil2: 22.4, watts: 5300, pressure: 0.7},
	{maker: "Maker C", name: "Lindel 40", rating: 150, highLimit: 235, offLow: 141, offHigh: 159, coil: 12.4, watts: 4500, pressure: 0.6},
	{maker: "Maker C", name: "Lindel 60", features: []string{"bias_heater", "low_setting"}, rating: 145, highLimit: 205, offLow: 136, offHigh: 154,
		bias: 5250, coil: 10.9, watts: 5100, pressure: 0.6},
}

func (m *model) has(feature string) bool {
	for _, f := range m.features {
		if f == feature {
			return true
		}
	}
	return feature == ""
}

// fits says whether something that needs one feature and lacks another is
// found on the model.
func (m *model) fits(has, lacks string) bool { return m.has(has) && (lacks == "" || !m.has(lacks)) }
