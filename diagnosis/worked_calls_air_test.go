package diagnosis_test

import "drumline/diagnosis"

// airCalls is every cause that holds the air up or lets it in beside the
// heater, alone.
func airCalls() []call {
	return append(ductCalls(), machineAirCalls()...)
}

func ductCalls() []call {
	return []call{
		{name: "nothing_yet", unit: dryer(), top: "run_restricted", next: "hood_look",
			why: "Four in ten that run too hot are short of air outside the machine, and the look at the hood costs two minutes."},
		{name: "blocked_run", unit: dryer("bias_heater", "low_setting"), top: "run_restricted", carries: "duct_and_box",
			triage: map[string]string{"dry_time": "grown", "onset": "slowly", "last_cleaned": "longer", "scorch": "no"},
			why:    "Weak air outside, high pressure at the collar and right again with the duct off: the duct, and the eye finds the lint in the run.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), warmCold("no_heat", 68, 72),
				highRun("cycles_high_limit", []float64{131, 130, 132}, []float64{114, 113, 114}, 135, 56, 52),
				collar(0.94, "high"), ratio("duct_restricted", 690, 1540),
				diagnosis.Done{Action: "move_out"}, look("duct_and_box", "elbow_or_run_full")}},
		{name: "crushed_duct", unit: dryer(), top: "transition_crushed", carries: "duct_and_box", flip: "duct_and_box",
			triage: map[string]string{"dry_time": "grown", "worked_on": "moved"},
			why:    "It began when the machine was pushed back, the duct is what holds the air, and the crushed piece is seen.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), warmCold("no_heat", 71, 74),
				highRun("cycles_high_limit", []float64{124, 126, 125}, []float64{110, 112, 111}, 118, 49, 47),
				collar(1.22, "high"), ductOff("normal_now", "duct_restricted"),
				diagnosis.Done{Action: "move_out"}, look("duct_and_box", "transition_crushed")}},
		{name: "blocked_hood", unit: dryer(), top: "hood_blocked", carries: "hood_look", flip: "hood_look",
			triage: map[string]string{"dry_time": "grown", "onset": "suddenly"},
			why:    "A nest in the hood is seen, the pressure before it is high, and nothing else has to be opened before it is cleared.",
			steps: []any{look("hood_look", "blocked"), look("lint_screen", "clean"), warmCold("no_heat", 64, 68),
				highRun("cycles_high_limit", []float64{118, 119, 118}, []float64{104, 105, 104}, 95, 41, 40), collar(1.45, "high")}},
	}
}

func machineAirCalls() []call {
	return []call{
		{name: "screen_film", unit: dryer(), top: "screen_film", carries: "lint_screen", flip: "lint_screen",
			triage: map[string]string{"dry_time": "grown", "onset": "slowly", "last_cleaned": "within_year"},
			why:    "Water stands on the mesh, and the clean duct has little pressure: the air is held up before the blower.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "film"), warmCold("no_heat", 70, 74),
				highRun("cycles_high_limit", []float64{134, 133, 134}, []float64{116, 117, 116}, 160, 71, 68), collar(0.17, "conforms"), ratio("duct_clear", 880, 950),
				look("blower_wheel", "sound")}},
		{name: "lint_in_box", unit: dryer(), top: "lint_in_heater_box", carries: "duct_and_box", flip: "duct_and_box",
			triage: map[string]string{"dry_time": "grown", "onset": "slowly", "last_cleaned": "longer", "scorch": "yes"},
			why:    "The duct is clear, it cycles on the high limit, and the lint lies in the box: it is vacuumed out before anything runs again.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), warmCold("no_heat", 66, 71),
				highRun("cycles_high_limit", []float64{128, 129, 128}, []float64{111, 112, 112}, 120, 54, 50), collar(0.26, "conforms"), ratio("duct_clear", 1010, 1120),
				look("duct_and_box", "lint_in_box"), look("blower_wheel", "sound")}},
		{name: "lint_on_blower", unit: dryer(), top: "lint_on_blower", carries: "blower_wheel", flip: "blower_wheel",
			triage: map[string]string{"dry_time": "grown", "onset": "slowly", "last_cleaned": "longer"},
			why:    "The torn screen let it through: weak air, hardly any pressure at the collar, and the wheel is full of lint.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "torn"), warmCold("no_heat", 69, 73),
				highRun("cycles_high_limit", []float64{121, 122, 122}, []float64{107, 108, 107}, 105, 47, 44), collar(0.11, "conforms"), ductOff("same", "duct_clear"),
				look("blower_wheel", "lint_on_wheel")}},
		{name: "slipping_blower", unit: dryer(), top: "blower_slips", carries: "blower_wheel", flip: "blower_wheel",
			triage: map[string]string{"dry_time": "grown"},
			why:    "Weak air, low pressure at the collar, the same with the duct off, and the hub turns on the shaft.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), warmCold("no_heat", 72, 75),
				highRun("cycles_high_limit", []float64{117, 118, 117}, []float64{103, 104, 104}, 90, 42, 40), collar(0.09, "conforms"), ductOff("same", "duct_clear"),
				look("blower_wheel", "slips")}},
		{name: "blower_gasket", unit: dryer(), top: "blower_seal_leaks", carries: "blower_wheel", flip: "collar_pressure",
			triage: map[string]string{"worked_on": "part_fitted", "dry_time": "grown"},
			why:    "The blower was apart lately, the air is weak without pressure, the outlet stays cool with the heat on, and the gasket hangs out.",
			steps: []any{look("hood_look", "weak_flow"), look("lint_screen", "clean"), warmCold("no_heat", 70, 73), coolOutlet(127, 14), collar(0.15, "conforms"),
				look("blower_wheel", "gasket_leaks")}},
		{name: "drum_seal", unit: dryer(), top: "drum_seal_leaks", carries: "drum_seals", flip: "drum_seals",
			triage: map[string]string{"scorch": "yes", "dry_time": "grown"},
			why:    "Air outside is good and the outlet cool while the heat never rests: room air comes in beside the drum, and the felt is worn through.",
			steps:  []any{look("hood_look", "full_flow"), look("lint_screen", "clean"), warmCold("no_heat", 67, 70), coolOutlet(122, 16), look("drum_seals", "gap")}},
		{name: "belt_off", unit: dryer(), top: "belt_broken", carries: "drum_seals", flip: "drum_seals",
			triage: map[string]string{"drum_turns": "no", "onset": "suddenly", "scorch": "yes"},
			why:    "A drum that stands still under heat scorches the cloth, and it turns without drag: the belt is off.",
			steps:  []any{look("drum_seals", "belt_off")}},
	}
}
