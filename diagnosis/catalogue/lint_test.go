package catalogue

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestDefeats(t *testing.T) {
	refused := []string{
		"Bypass the high limit to see if the heat comes on.",
		"By-pass the fuse.",
		"Jumper the thermostat and run it.",
		"Put a jumper across the two wires.",
		"Use a jumper on the cut-off.",
		"Bridge the door switch with a wire.",
		"Defeat the door switch.",
		"Try bypassing the fuse.",
		"The high limit can be bypassed for a test.",
		"Run it with the high limit bypassed.",
		"With the limit bypassed, heat should return.",
		"If the limit was found open it can be bypassed.",
		"If the fuse is not in stock bypass it.",
		"Do not hesitate to bypass the cut-off.",
		"Do not worry, bypass the limit.",
		"Short out the thermal fuse.",
		"Short the thermostat terminals together.",
		"Shorting the limit shows whether it is open.",
		"Join the two wires of the cut-off.",
		"Disable the door switch.",
		"Override the interlock.",
		"Tape down the door switch.",
		"Hold the door switch closed with tape and look inside.",
		"Keep the lid switch pressed with a magnet.",
		"Connect a wire across the high limit.",
		"Clip a lead over the fuse.",
		"Put foil in place of the fuse.",
		"Replace the fuse with a piece of foil.",
		"Swap the thermal fuse for a bolt.",
		"Run the dryer without the high limit.",
		"Leave the high limit out of circuit.",
		"Fit a larger breaker.",
		"Use a higher-rated fuse.",
		"Cut off the ground pin.",
		"BYPASS IT.",
		"Never open it hot. Bypass the limit.",
		"Jump across the limit.",
		"Connect the two leads of the high limit together.",
		"Twist the wires of the fuse together.",
		"Remove the fuse and join the wires.",
		"Take the high limit out and connect its two wires.",
		"Wire past the cut-off.",
		"bypass_limit",
		"jumper_across_fuse",
	}
	for _, s := range refused {
		assert.NotEmpty(t, Defeats(s), s)
	}
	allowed := []string{
		"Never bypass a safety device.",
		"Never bypass, jumper or bridge a limit.",
		"Do not bypass the high limit.",
		"Don't ever bypass it.",
		"You must not bypass the cut-off.",
		"Never even try to bypass the fuse.",
		"The high limit was found bypassed.",
		"High limit found bypassed",
		"A device found bypassed puts the machine out of service.",
		"High limit and cut-off in place and nothing bypassed",
		"Look for a bypass at the high limit.",
		"Take the jumper away.",
		"Ask whether anyone bypassed the fuse.",
		"Look for foil in place of a fuse and for joined wires.",
		"Short the leads and note their resistance.",
		"Off at 110 to 140 °F with short heat is the high limit",
		"Never swap for a larger breaker.",
		"Never run the dryer without the high limit.",
		"Take the wires off the high limit.",
		"Hold the flap fully open.",
		"Measure across the fuse at room temperature.",
		"Put the bead on the disc face and the meter across the contact.",
		"Cool-down runs, door switch stops the drum, timer or sensor ends the cycle",
		"Connect the meter leads to the fuse terminals.",
		"Fit high limit and cut-off new as a pair",
		"Never feed the strap to a bare neutral.",
		"high_limit_bypassed",
		"",
	}
	for _, s := range allowed {
		assert.Empty(t, Defeats(s), s)
	}
}
