// SPDX-License-Identifier: Apache-2.0
/*
 * texts.h - every sentence of a verdict, in one place: what a technician would say to a customer.
 *
 * They are printf formats; what stands in for a %s is a channel's or a sensor's name, a place or a
 * phase in the words of words.h. Never "replace": what was seen is told apart from what it may
 * mean.
 */
#ifndef CRANKTRAP_TEXTS_H
#define CRANKTRAP_TEXTS_H

/* ---- cautions ---- */
#define TEXT_CRANKING_CAUTION                                                                      \
    "Cranking moves belts and fans: stand clear, and crank 10 to 15 s at most."
#define TEXT_BATTERY_CAUTION "Batteries gas: no sparks."

/* ---- feed ---- */
#define TEXT_FEED_FELL           "%s fell from %.2f V to %.2f V %s."
#define TEXT_FEED_FELL_TO_END    "%s fell from %.2f V to %.2f V %s %s, to the end of the record; %s."
#define TEXT_FEED_FELL_FOR       "%s fell from %.2f V to %.2f V %s %s, for %.3f s; %s."
#define TEXT_BATTERY_NOT_WATCHED "the battery was not watched"
#define TEXT_BATTERY_HELD        "the battery held %.1f V"
#define TEXT_FEED_MUST_HOLD      "%s must hold at least %.2f V, also while cranking."
#define TEXT_LET_GO              "It let go %.3f s after the starter had engaged."
#define TEXT_TIMES               "It came back and fell again: %u times within moments, as a loose contact does."
#define TEXT_BATTERY_ENOUGH      "The battery stood at %.1f V when it fell: enough to supply it."
#define TEXT_RETURN_STAYED       "Its return stayed at %.2f V or below."
#define TEXT_BATTERY_UNKNOWN                                                                       \
    "The battery was not watched, so a feed that falls with it cannot be told from one that "      \
    "falls "                                                                                       \
    "alone."
#define TEXT_KEY_UNCLEAR                                                                           \
    "Nothing but this feed tells whether the key was on: it may simply have been turned off."
#define TEXT_LOSS_AT_ONSET "Scans are missing where it began."
#define TEXT_BARELY        "It was beyond its limit by no more than the measurement's own error."
#define TEXT_CLIPPED                                                                               \
    "Before it fell it stood at the end of the input's range: its true level was not known."
#define TEXT_ENDS_AT_ONCE "The record ends right behind it."
#define TEXT_GROUND_UNCLEAR                                                                        \
    "No return was watched beside it, and the board's ground is not at the battery's negative "    \
    "post."
#define TEXT_STOPPED_BEFORE "%s had stopped before the feed fell."
#define TEXT_FEED_WIRE                                                                             \
    "A contact or a break in the wire of %s between the control unit and the probe."
#define TEXT_FEED_SOURCE "The supply of %s inside the control unit."
#define TEXT_FEED_SHORT                                                                            \
    "A short to ground on %s: in this sensor, another on the same feed, or the harness."
#define TEXT_PROBE "The probe itself: it came off, or its contact is bad."
#define TEXT_FEED_SECOND_PROBE                                                                     \
    "Put a second probe on %s at the control unit and crank: if it holds there while it falls at " \
    "the "                                                                                         \
    "sensor, the wire or a connector between is open; if it falls there too, look at what "        \
    "supplies it "                                                                                 \
    "or loads it. " TEXT_CRANKING_CAUTION
#define TEXT_FEED_WIGGLE                                                                           \
    "With the key on and the engine off, move the harness and the connectors of %s and watch it "  \
    "(cranktrap now --wiggle)."
#define TEXT_FEED_LATER "%s fell too, %.1f ms later."
#define TEXT_FEED_TOGETHER                                                                         \
    "%s fell together with it, within %.1f ms: which of them was first is not known."
#define TEXT_FEEDS_COMMON                                                                          \
    "What %s and %s have in common: their supply in the control unit, or its own."

#define TEXT_FEED_FOLLOWS                                                                          \
    "%s fell to %.2f V with the battery, which left %.1f V: it follows the battery."
#define TEXT_FEED_FOLLOWS_SHORT "%s followed the battery down to %.2f V."
#define TEXT_FEED_FOLLOWS_WHY                                                                      \
    "While the starter pulled, %s moved %.2f V for every volt of the battery; a regulated feed "   \
    "does "                                                                                        \
    "not move as long as the battery leaves it %.1f V more than it gives."
#define TEXT_FEED_FOLLOWS_UNIT                                                                     \
    "The regulator in the control unit, or what supplies the control unit."
#define TEXT_FEED_FOLLOWS_CABLE "A bad joint that the control unit shares with the starter."
#define TEXT_FEED_FOLLOWS_NEXT                                                                     \
    "Watch the control unit's own supply and ground beside %s and crank: if the supply falls as "  \
    "deep, "                                                                                       \
    "test the battery and the cables first. " TEXT_BATTERY_CAUTION " " TEXT_CRANKING_CAUTION

#define TEXT_FEED_OFF        "%s stood at %.2f V %s, steadily; it should be %.2f V within %.2f V."
#define TEXT_FEED_DEAD       "%s never came up: it stood at %.2f V %s; it should be %.2f V."
#define TEXT_FEED_DEAD_WORKS "Nothing that is watched and lives on it worked."
#define TEXT_FEED_OFF_SHORT  "%s was steadily at %.2f V."
#define TEXT_FEED_OFF_STEADY "It read the same with the key on and while the starter turned."
#define TEXT_FEED_OFF_NOMINAL                                                                      \
    "The hookup's nominal of %s, or its scale, is not what this vehicle has."
#define TEXT_FEED_OFF_LOAD "A resistance in the wire of %s, or something that loads it."
#define TEXT_FEED_OFF_UNIT "The reference that makes %s inside the control unit."
#define TEXT_FEED_OFF_NEXT                                                                         \
    "Compare %s with a second meter on the same pin, then at the control unit: a difference "      \
    "along the "                                                                                   \
    "wire is a resistance, the same level at both ends is the supply or the load."

/* ---- return and ground ---- */
#define TEXT_RETURN_ROSE       "%s rose to %.2f V %s %s; at most %.2f V is allowed."
#define TEXT_RETURN_ROSE_SHORT "%s rose to %.2f V."
#define TEXT_RETURN_STOOD                                                                          \
    "%s stood at %.2f V %s %s, from the first moment on; at most %.2f V is allowed."
#define TEXT_RETURN_FEED_STAYED                                                                    \
    "%s did not rise with it: so it is not the ground of the control unit."
#define TEXT_RETURN_GROUND_QUIET "%s stayed quiet meanwhile."
#define TEXT_RETURN_WITH_STARTER "It began with the starter's engagement, within %.0f ms."
#define TEXT_RETURN_TIMES        "It came and went %u times."
#define TEXT_RETURN_WIRE         "A resistance in the wire of %s, or in a connector or splice along it."
#define TEXT_RETURN_SHARED       "Another sensor or load that uses the same return."
#define TEXT_RETURN_UNIT_GROUND                                                                    \
    "The control unit's own ground: without a second return or a ground lead beside it that "      \
    "cannot be "                                                                                   \
    "told apart."
#define TEXT_RETURN_NEXT                                                                           \
    "Measure %s against the control unit's ground pin and against the battery's negative post "    \
    "while "                                                                                       \
    "it cranks: if it drops along the wire, the wire or a connector is bad; if it reads the same " \
    "at both ends, the ground is. " TEXT_CRANKING_CAUTION
#define TEXT_RETURN_FLOATS       "%s floated at %.2f V %s %s: it was not connected to ground."
#define TEXT_RETURN_FLOATS_SHORT "%s floated at %.2f V."
#define TEXT_RETURN_BREAK                                                                          \
    "An open return wire, connector or splice between the probe and the control unit."
#define TEXT_RETURN_OPEN_NEXT                                                                      \
    "With the key off, measure the resistance from %s to the battery's negative post while the "   \
    "harness "                                                                                     \
    "is moved; then look at the splice that the returns share."

#define TEXT_GROUND_ROSE       "%s rose to %.2f V %s, and %s rose with it."
#define TEXT_GROUND_ROSE_ALONE "%s rose to %.2f V %s; at most %.2f V is allowed."
#define TEXT_GROUND_ROSE_SHORT "The ground rose: %s to %.2f V."
#define TEXT_GROUND_FEED                                                                           \
    "%s went up with it by %.2f V: not the sensor's return but what both hang on."
#define TEXT_GROUND_RETURN "%s went up with it by %.2f V."
#define TEXT_GROUND_CABLE  "The engine's or the control unit's ground strap, or its joints."
#define TEXT_GROUND_NEXT                                                                           \
    "Measure the drop from the engine block and from the control unit's ground to the battery's "  \
    "negative "                                                                                    \
    "post while it cranks, joint by joint; a good ground side drops 0.2 V at "                     \
    "most. " TEXT_CRANKING_CAUTION

/* ---- supply and battery ---- */
#define TEXT_SUPPLY_FELL       "%s fell to %.2f V %s; the battery held %.1f V."
#define TEXT_SUPPLY_MUST_HOLD  "%s must stay within %.1f V of the battery."
#define TEXT_SUPPLY_FELL_SHORT "%s fell to %.2f V."
#define TEXT_SUPPLY_RELAY      "The main relay, its contact or its control."
#define TEXT_SUPPLY_FUSE       "A fuse, its holder, or a joint between the battery and the control unit."
#define TEXT_SUPPLY_NEXT                                                                           \
    "Probe before and behind the main relay and its fuse and crank: the step across which the "    \
    "volts are "                                                                                   \
    "lost is the place. " TEXT_CRANKING_CAUTION

#define TEXT_VOLTAGE_LOW                                                                           \
    "The battery held only %.1f V while the starter turned; at least %.1f V is needed%s."
#define TEXT_VOLTAGE_STARVES                                                                       \
    "The battery fell to %.1f V while the starter turned: too little for %s, which needs %.1f V."
#define TEXT_VOLTAGE_LOW_COLD  " at %.0f degrees"
#define TEXT_VOLTAGE_LOW_SHORT "The battery held only %.1f V."
#define TEXT_VOLTAGE_SLOW      "The engine turned at %.0f rpm only."
#define TEXT_VOLTAGE_FEED                                                                          \
    "%s cannot hold on so little: the battery left %.1f V, and it fell to %.2f V."
#define TEXT_VOLTAGE_NO_SPEED                                                                      \
    "Whether the engine turned fast enough nonetheless is not known: no lead tells its speed."
#define TEXT_VOLTAGE_REST  "Before it the battery rested at %.2f V."
#define TEXT_VOLTAGE_CELL  "A discharged or worn battery, or one too cold."
#define TEXT_VOLTAGE_DRAW  "A starter or an engine that draws too much."
#define TEXT_VOLTAGE_JOINT "A joint at the battery's posts."
#define TEXT_VOLTAGE_NEXT                                                                          \
    "Charge and test the battery, then its posts and cables under load, before the sensor "        \
    "circuits. " TEXT_BATTERY_CAUTION

/* ---- starter ---- */
#define TEXT_SLOW         "The starter turned the engine at %.0f rpm only; normal is above %.0f rpm."
#define TEXT_SLOW_SHORT   "The engine turned at %.0f rpm only."
#define TEXT_SLOW_SOURCE  "The speed is that of %s."
#define TEXT_SLOW_BATTERY "The battery held %.1f V meanwhile."
#define TEXT_SLOW_CURRENT "The starter drew %.0f A."
#define TEXT_SLOW_STARTER "The starter, or a drop along its cables."
#define TEXT_SLOW_ENGINE  "An engine that is hard to turn: cold oil, or a mechanical fault."
#define TEXT_SLOW_NEXT                                                                             \
    "Measure the drop over both starter cables and the starter's current while it cranks: much "   \
    "current at low speed means an engine that is hard to turn or a bad starter, little current "  \
    "a resistance in the cables or their joints. " TEXT_CRANKING_CAUTION
#define TEXT_NOT_CRANKED                                                                           \
    "A start was asked for, and nothing that is watched shows the starter pulling."
#define TEXT_NOT_CRANKED_SHORT   "The starter did not pull."
#define TEXT_NOT_CRANKED_BATTERY "The battery stayed at %.1f V."
#define TEXT_NOT_CRANKED_CURRENT "The starter drew no current."
#define TEXT_NO_SOLENOID         "The solenoid, its control wire, or its relay."
#define TEXT_NO_INTERLOCK        "A lock that keeps it from cranking: gear, clutch, immobiliser."
#define TEXT_NO_CABLE            "A joint or a cable that carries no current."
#define TEXT_NOT_CRANKED_NEXT                                                                      \
    "Ask for a start again and measure at the solenoid's control terminal, then the drop over "    \
    "both "                                                                                        \
    "battery cables: stand clear of belts and fans, brake on, out of gear, for it may crank "      \
    "after all."
#define TEXT_LOCKED        "The starter drew %.0f A, but the engine did not turn."
#define TEXT_LOCKED_SHORT  "The engine did not turn."
#define TEXT_LOCKED_EDGES  "No sensor showed an edge, and the current showed no compression."
#define TEXT_LOCKED_ENGINE "A locked engine, or a starter that does not engage or is seized."
#define TEXT_LOCKED_NEXT                                                                           \
    "With the battery disconnected, turn the engine by hand, by the maker's procedure, before it " \
    "is cranked again: an engine that is locked must not be."

/* ---- signal ---- */
#define TEXT_SIGNAL_LOST       "%s stopped %s %s, although the engine kept turning."
#define TEXT_SIGNAL_NEVER      "%s showed no edge %s %s, although the engine turned."
#define TEXT_SIGNAL_LOST_SHORT "%s stopped."
#define TEXT_SIGNAL_LOST_AT                                                                        \
    "Its last edge came %.3f s after the starter engaged; the next was due by %.3f s."
#define TEXT_SIGNAL_TURNED "That the engine turned is known from %s."
#define TEXT_SIGNAL_ABRUPT                                                                         \
    "It had not slowed down before: no engine stops between one tooth and the next."
#define TEXT_SIGNAL_TURN_UNSEEN                                                                    \
    "No other lead shows that the engine kept turning; the starter went on pulling."
#define TEXT_SIGNAL_STOOD       "It stood at %.2f V."
#define TEXT_SIGNAL_FEED_GOOD   "Its feed held %.2f V."
#define TEXT_SIGNAL_RETURN_GOOD "Its return stayed at %.2f V or below."
#define TEXT_SIGNAL_WIRE        "A break or a short in the wire of %s, or a connector along it."
#define TEXT_SIGNAL_SENSOR      "The sensor itself (%s), or its distance to the wheel."
#define TEXT_SIGNAL_PULL_UP     "The pull-up of the signal in the control unit."
#define TEXT_SIGNAL_NEXT                                                                           \
    "Probe %s at the sensor and at the control unit together and crank: edges at the sensor's "    \
    "end "                                                                                         \
    "only mean the wire or a connector, edges at neither end the sensor or its distance to the "   \
    "wheel. " TEXT_CRANKING_CAUTION
#define TEXT_SIGNAL_CARRIER "The wheel itself."

#define TEXT_GAPS       "%s missed %zu pulses that were due (%s, %s)."
#define TEXT_GAPS_SHORT "%s missed pulses."
#define TEXT_GAPS_LONG                                                                             \
    "%s fell silent for far longer than its wheel does from turn to turn (%s, %s)."
#define TEXT_GAPS_FIRST  "The first was due %.4f s after the starter engaged."
#define TEXT_GAPS_PLACES "It happened %zu times."
#define TEXT_GAPS_WHEEL                                                                            \
    "They are not the gaps of its wheel, and the engine did not slow down for them."

#define TEXT_WEAK_LOW   "%s pulled down only to %.2f V %s %s; at most %.2f V is allowed."
#define TEXT_WEAK_HIGH  "%s rose only to %.2f V %s %s; at least %.2f V is needed."
#define TEXT_WEAK_SWING "%s swung by %.2f V only %s %s."
#define TEXT_WEAK_SHORT "%s swung too little."
#define TEXT_WEAK_METER "An averaging meter would have shown %.2f V."

#define TEXT_NOISE       "%s showed %zu pulses that do not belong to its wheel (%s, %s)."
#define TEXT_NOISE_SHORT "%s showed extra pulses."
#define TEXT_NOISE_FIRST "The first came %.4f s after the starter engaged and was %.2f ms wide."
#define TEXT_NOISE_COUPLED                                                                         \
    "Noise from ignition, starter or alternator that couples into the wire; a chafed screen."
#define TEXT_NOISE_NEXT                                                                            \
    "Look at the routing and the screen of %s, and at its return; then watch it while loads are "  \
    "switched."

#define TEXT_STEP         "%s and %s moved against each other by %.0f crank degrees."
#define TEXT_STEP_SHORT   "Crank and cam moved against each other."
#define TEXT_STEP_FROM_TO "The edges of %s lay at %.0f degrees of the crank, later at %.0f."
#define TEXT_STEP_CHAIN   "A belt or chain that slipped, or a wheel that turned on its shaft."
#define TEXT_STEP_SENSOR  "A signal that lost or gained pulses unseen."
#define TEXT_STEP_NEXT                                                                             \
    "Do not crank it again before the timing marks were looked at by the maker's procedure: "      \
    "valves may "                                                                                  \
    "meet pistons."

/* ---- command ---- */
#define TEXT_NO_COMMAND       "%s stayed silent while the starter turned and %s was good."
#define TEXT_COMMAND_STOPPED  "%s stopped while the starter turned and %s went on."
#define TEXT_NO_COMMAND_SHORT "%s stayed silent."
#define TEXT_COMMAND_UNIT                                                                          \
    "The control unit does not command: immobiliser, a sensor it waits for that is not watched, "  \
    "or itself."
#define TEXT_COMMAND_SUPPLY                                                                        \
    "The supply of the injectors or coils, where the command is pulled to ground."
#define TEXT_COMMAND_NEXT                                                                          \
    "Read what the control unit itself reports, and whether it lets the engine start; then probe " \
    "the "                                                                                         \
    "command at the control unit, by a rated probe or clamp only: it kicks to hundreds of volts."

/* ---- leads ---- */
#define TEXT_LEAD_DEAD_FEED                                                                        \
    "%s read as dead while %s went on swinging fully: the lead on %s is suspect, not the circuit."
#define TEXT_LEAD_RAN_ON                                                                           \
    "%s read as dead while the engine ran on: the lead on it is suspect, not the circuit."
#define TEXT_LEAD_BELOW_RETURN                                                                     \
    "%s lay %.2f V below its own return %s: one of the two leads is not where it should be."
#define TEXT_LEAD_SWAPPED                                                                          \
    "%s reads what %s should, and the other way round: the two leads look swapped."
#define TEXT_LEAD_COPIES "%s copies %s, the input scanned before it: its own lead is open."
#define TEXT_LEAD_FLAT   "%s read %.2f V through everything, as a lead does that is on nothing."
#define TEXT_LEAD_NO_GROUND                                                                        \
    "%s stood at %.2f V with the key on: no ground does, that lead is on something else."
#define TEXT_LEAD_CLAMP                                                                            \
    "%s reads the starter's current backwards (%.0f A): the clamp is the wrong way round."
#define TEXT_LEAD_SCALE                                                                            \
    "%s reads %.2f V: ten times too %s for a %.0f V vehicle; its divider looks wrong."
#define TEXT_LEAD_SYSTEM "%s rests at %.1f V, but the hookup says %.0f V: which vehicle is this?"
#define TEXT_LEAD_FEED_SCALE                                                                       \
    "%s reads %.2f V, ten times too %s for %.0f V: its divider looks wrong."
#define TEXT_LEAD_FEED_SWINGS "%s swings like a signal: the lead is not on the feed."
#define TEXT_LEAD_SHORT       "%s: the lead is suspect."
#define TEXT_LEAD_LOOSE       "A probe that came off, slipped, or was never through."
#define TEXT_LEAD_HOOKUP      "A hookup file that does not say what is really connected."
#define TEXT_LEAD_NEXT                                                                             \
    "Seat the probe on %s again, tug at it, look at its reading with the key on, and repeat."
#define TEXT_LEAD_HOOKUP_NEXT                                                                      \
    "Compare the hookup file with the leads, one by one (cranktrap now), and repeat."

/* ---- order ---- */
#define TEXT_AFTER               "%s That was %.1f ms later."
#define TEXT_LONG_AFTER          "%s That was %.2f s later."
#define TEXT_WITHIN              "%s Together with it, within %.1f ms: which came first is not known."
#define TEXT_MEANWHILE           "%s That goes with it."
#define TEXT_SIGNAL_STOPPED_SOME "%s stopped: its last edge came %.1f ms before."
#define TEXT_SIGNAL_STOPPED                                                                        \
    "%s stopped: its last edge came %.1f ms before, the next was due within %.1f ms."

/* ---- nothing found ---- */
#define TEXT_NOTHING_JUDGED        "Nothing on the watched leads could be judged in this record."
#define TEXT_NOTHING_FOUND         "Every watched circuit that could be judged stayed within its limits%s."
#define TEXT_NOTHING_WHILE_TURNING " while the starter turned"
#define TEXT_OUT_BUT_NO_VERDICT    "No circuit let go, but a reading was out of its limits."
#define TEXT_NEXT_FAILED                                                                           \
    "The fault was not on the circuits that were watched and judged. Move leads to what was not "  \
    "tested (on injector and coil commands by rated probes or clamps only), then to fuel "         \
    "pressure "                                                                                    \
    "and spark, and wait for the next attempt that fails."
#define TEXT_NEXT_EARLY                                                                            \
    "The starter was let go too soon to tell. Crank again, 10 to 15 s at most, then let it rest; " \
    "stand "                                                                                       \
    "clear of belts and fans."
#define TEXT_NEXT_STARTED                                                                          \
    "It started: leave the leads as they are and wait for an attempt that fails."
#define TEXT_NEXT_UNKNOWN                                                                          \
    "Whether it started cannot be told. A lead on a position sensor's signal, with some seconds "  \
    "recorded "                                                                                    \
    "behind the release, would tell."
#define TEXT_BATTERY_EXPLAINS "%s fell, but so did the battery, to %.1f V: too little to supply it."
#define TEXT_BATTERY_LOW_NOTE                                                                      \
    "The battery held only %.1f V on average, but neither speed nor feed suffered."
#define TEXT_SURGE_NOTE                                                                            \
    "%s reached %.2f V in the starter's first surge: allowed for a moment, but worth a note."

#endif
