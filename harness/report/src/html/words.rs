//! What the pages say, apart from what is counted and drawn.

/// The cautions on the first page.
pub(super) const CAUTIONS: [&str; 8] = [
    "Mains kills. The bench is for extra-low voltage only: mains never comes near the rig, the kiln is unplugged or \
     locked out and proved dead, and its elements are disconnected.",
    "A kiln is a fire risk. What is shown here is evidence about a controller on a bench, not approval of a kiln.",
    "Not tested here: ratings and terminals of contactors and relays, heat in the box, the life of probes, wiring, \
     and mains that reaches a probe through hot insulation.",
    "What is sensed as a command does not prove that a contact opened.",
    "An independent high limit, with its own probe and its own contact, is needed whatever this report says.",
    "The supply, a fused disconnect, earth and every work on them belong to a licensed electrician and the local code.",
    "Old kilns: take asbestos and ceramic-fibre dust as present until shown otherwise. Firing gives off carbon \
     monoxide and fumes: ventilate.",
    "Never leave a first firing alone; stay near an isolator that is away from the kiln.",
];

/// Below the place for the signature.
pub(super) const SIGNED_FOR: &str = "The signature says that the person named has read this report to its end, what \
                                     was not shown included. It approves no kiln and no installation.";

/// Under the table of hazards.
pub(super) const MARKS: [(&str, &str); 7] = [
    ("✓", "met: every expectation was met, clear of the uncertainty (in the record: pass)"),
    ("✗", "not met: an expectation was not met, clear of the uncertainty (fail)"),
    ("?", "not decided: not observed, cut short, or too close to a limit for this bench (inconclusive)"),
    ("!", "broke down: bench, link or controller; nothing can be said (error)"),
    ("○", "uncovered: the hazard is there and nothing on this bench meets it"),
    ("–", "not applicable: the hardware that makes the hazard is not there"),
    ("·", "not run: never begun, broken off, or not confirmed"),
];

/// How to read a plot, once.
pub(super) const PLOT_KEY: [&str; 5] = [
    "Temperatures: kiln drawn through, probe in dashes, others as named at their ends; where a line is broken, \
     nothing was observed. Every column keeps the least and the greatest value in it.",
    "Kiln temperatures are those of the model that plays the kiln, probe temperatures what the controller was shown.",
    "Long dashes across: a limit, over the part of the run in which it counts.",
    "Hatched: the time that was allowed. The thick arrow: the reaction, with its time; release times are in it.",
    "Lanes below: a dark bar is on, a line is off, dots are not observed; paler and taller is a change in every column \
     that it covers, also of a pulse too short to be drawn. Numbers on top lead to the list of what was done.",
];

/// What stands in place of the table when the bench file of the record cannot be read any more.
pub(super) const NO_TABLE: &str = "The table cannot be made: the bench file in the record is not one that this version \
                                   of the program reads.";

/// Of an unfinished record.
pub(super) const UNFINISHED: &str = "Unfinished: the session did not come to its end. As a whole it shows nothing.";

/// Of a session that is not about one firmware.
pub(super) const MIXED: &str = "Not one firmware, so no hazard counts as shown:";

/// What is counted, and what a hazard has to come to for it.
pub(super) const SHOWN: &str = "Shown: at least one scenario brought the hazard about, the reaction that it asks for was \
                                seen and clears the measurement uncertainty, and no other scenario speaks against it. \
                                Uncovered: nothing on this bench could react. Counted are the hazards that the scenarios \
                                of this session name, not all that a kiln has.";

/// Under the table of margins.
pub(super) const MARGIN_KEY: &str = "Margin: how far it was from the limit. It counts as met only where the margin is \
                                     larger than the uncertainty (±, expanded). “model”: a temperature of the kiln that \
                                     is played, computed and not measured, with the error of its model. “none”: nothing \
                                     measured is in it. “–”: there is no such figure.";

/// Of a stand-in with defects.
pub(super) const DEFECTIVE: &str = "Defects were switched on in the stand-in controller. This report tells what the \
                                    scenarios catch, and nothing of a controller.";

/// What the bench can show, by its kind.
pub(super) fn bench_words(kind: &str) -> &'static str {
    match kind {
        "virtual" => "virtual: a stand-in inside this program, in virtual time; no hardware of yours",
        "program" => "program: the controller's logic as a program on a computer, in virtual time; no hardware",
        "rig" => "rig: a controller wired to a rig, in real time",
        _ => "of another kind",
    }
}
