# post KEY PATH BODY sends a request; the key makes it happen once, however
# often it is repeated. say shows the sentences of an answer, show all of it.
post() { curl -sS "$URL$2" -H "Authorization: Bearer $TECH" -H "Idempotency-Key: $VISIT-$1" -H 'Content-Type: application/json' -d "$3"; }
look() { curl -sS "$URL$2" -H "Authorization: Bearer $1"; }
say() { grep -oE '"(sentence|ask|text|why|detail)":"[^"]*"' | sed 's/^"[a-z]*":"\(.*\)"$/  \1/' | awk '!seen[$0]++' | head -"$1"; }
show() { if command -v jq > /dev/null; then jq .; else cat; echo; fi; }
id_of() { grep -oE '"id":"[^"]*"' | head -1 | cut -d'"' -f4; }

echo; echo '1. What the customer said on the telephone:'
look "$TECH" "/v1/calls/$CALL" | say 6

echo; echo '2. As found: HIGH cycles as it should, LOW goes off no earlier than HIGH.'
post run "/v1/visits/$VISIT/readings" '{"check":"as_found_run","phase":"as_found","values":[{"input":"off_temperature","values":[151,150,151],"unit":"[degF]"},{"input":"on_temperature","values":[132,133,132],"unit":"[degF]"},{"input":"heating_time","values":[300,190,186],"unit":"s"},{"input":"setting","choice":"high"},{"input":"load","choice":"empty"}]}' | say 1
post low "/v1/visits/$VISIT/readings" '{"check":"low_setting_cycle","phase":"as_found","values":[{"input":"off_temperature_high","values":[151,150],"unit":"[degF]"},{"input":"off_temperature_low","values":[149,149],"unit":"[degF]"}]}' | say 1
echo '   Isolated and proven dead, the bias heater shows over range:'
post isolate "/v1/visits/$VISIT/isolations" '{"method":"plug_in_sight","tester_before":true,"proven_dead":["l1_l2","l1_ground","l2_ground"],"tester_after":true}' > /dev/null
BIAS=$(post bias "/v1/visits/$VISIT/readings" '{"check":"bias_heater","phase":"as_found","instrument_id":"'"$METER"'","lead_resistance":{"value":0.02,"unit":"Ohm"},"values":[{"input":"resistance","over_range":true,"unit":"kOhm"},{"input":"wires_off","choice":"yes"}]}')
READING=$(echo "$BIAS" | id_of); echo "$BIAS" | say 1

echo; echo '3. Where the call stands, and the likeliest faults:'
NOW=$(look "$TECH" "/v1/calls/$CALL/assessment"); echo "$NOW" | say 1
echo "$NOW" | grep -oE '"name":"[^"]*","part":"[^"]*","probability":[0-9.]{1,6}' | head -3

echo; echo '4. Fit the part, and conclude on that reading:'
ACTION=$(post fit "/v1/visits/$VISIT/actions" '{"action":"replace_part","part":"bias_heater"}' | id_of)
post conclude "/v1/calls/$CALL/conclusions" '{"visit_id":"'"$VISIT"'","part":"bias_heater","fault":"bias_heater_open","action_id":"'"$ACTION"'","readings":["'"$READING"'"],"parts":[{"number":"BH-51","name":"Cycling thermostat with bias heater","source":"new_maker","lot":"L204"}]}' | say 1

echo; echo '5. Prove the repaired machine, dead first, then running:'
N=0
while read -r CHECK VALUES; do
  N=$((N+1)); VALUES=${VALUES/METER/$METER}
  post "proof-$N" "/v1/visits/$VISIT/readings" '{"check":"'"$CHECK"'","phase":"verification",'"$VALUES"'}' | say 1
done <<'PROOFS'
safety_devices "values":[{"input":"result","choice":"in_place"}]
high_limit "instrument_id":"METER","lead_resistance":{"value":0.02,"unit":"Ohm"},"values":[{"input":"resistance","value":0.09,"unit":"Ohm"},{"input":"wires_off","choice":"yes"}]
cut_off "instrument_id":"METER","lead_resistance":{"value":0.02,"unit":"Ohm"},"values":[{"input":"resistance","value":0.08,"unit":"Ohm"},{"input":"wires_off","choice":"yes"}]
coil_to_case "position":"terminal_1","values":[{"input":"resistance","over_range":true,"unit":"MOhm"},{"input":"wires_off","choice":"yes"}]
frame_ground "instrument_id":"METER","lead_resistance":{"value":0.02,"unit":"Ohm"},"values":[{"input":"resistance","value":0.08,"unit":"Ohm"}]
air_only_run "values":[{"input":"start_temperature","value":72,"unit":"[degF]"},{"input":"end_temperature","value":75,"unit":"[degF]"},{"input":"minutes","value":5,"unit":"min"},{"input":"leg_1_current","value":5.0,"unit":"A"},{"input":"leg_2_current","value":0.2,"unit":"A"},{"input":"already_warm","choice":"no"}]
as_found_run "values":[{"input":"off_temperature","values":[150,150,151],"unit":"[degF]"},{"input":"on_temperature","values":[132,132,132],"unit":"[degF]"},{"input":"heating_time","values":[305,192,188],"unit":"s"},{"input":"setting","choice":"high"},{"input":"load","choice":"empty"}]
heater_current "instrument_id":"METER","values":[{"input":"current","value":22.3,"unit":"A"},{"input":"volts","value":239,"unit":"V"},{"input":"volts_no_load","value":241,"unit":"V"}]
hood "values":[{"input":"velocity","value":1780,"unit":"[ft_i]/min"}]
duct_off_run "values":[{"input":"flow_on","value":155,"unit":"[cft_i]/min"},{"input":"flow_off","value":165,"unit":"[cft_i]/min"}]
low_setting_cycle "values":[{"input":"off_temperature_high","values":[151,150],"unit":"[degF]"},{"input":"off_temperature_low","values":[123,124],"unit":"[degF]"}]
PROOFS

echo; echo '6. Close the call, with what only the tech can confirm. (Pasted again: it is closed already.)'
curl -sS "$URL/v1/calls/$CALL/close" -H "Authorization: Bearer $TECH" -H "Idempotency-Key: $VISIT-close" -H 'If-Match: *' -H 'Content-Type: application/json' -d '{"outcome":"returned_to_service","statements":["in_place","cause_fixed","cord_and_strap","controls","touched_after"]}' | show

echo; echo '7. The report for the customer (ask with Accept: text/html for a page to print):'
look "$OWNER" "/v1/calls/$CALL/report" | show
