//! Laws of the parser: it never panics, says where, and prints what it reads.
#![expect(clippy::disallowed_methods, reason = "reads files of the library as material")]

use dryfire_scenario::{
    Comparison, Condition, ConditionPlace, ConsolePattern, ContactRole, DeclaredLimit, Diagnostic, LevelSignal, Limit,
    Measured, Piece, Span, Spanned, SpreadOf, SwitchSignal, ZoneSelector, check_file, parse_bench, parse_condition,
    parse_kiln, parse_scenario,
};
use dryfire_units::RigSpan;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn material() -> Vec<String> {
    ["heat/element-relay-welded.yaml", "people/lid-opened.yaml", "benches/virtual.yaml", "kilns/test-kiln.yaml"]
        .iter()
        .map(|file| {
            let path = format!("{}/../../scenarios/{file}", env!("CARGO_MANIFEST_DIR"));
            std::fs::read_to_string(path).expect("a file of the library")
        })
        .collect()
}

/// What every message has to keep, whatever the file.
fn is_sound(text: &str, mistake: &Diagnostic) -> Result<(), TestCaseError> {
    let Span { start, end } = mistake.span;
    prop_assert!(start <= end && end <= text.len(), "{mistake:?}");
    prop_assert!(text.is_char_boundary(start) && text.is_char_boundary(end), "{mistake:?}");
    prop_assert!(mistake.line >= 1 && mistake.column >= 1);
    prop_assert!(!mistake.message.is_empty());
    let shown = mistake.to_string();
    prop_assert!(shown.ends_with('\n') && !shown.chars().any(|c| c.is_control() && c != '\n'), "{shown:?}");
    // The carets stand under the text, or right behind it.
    prop_assert!(mistake.excerpt.caret <= mistake.excerpt.text.chars().count() + 120);
    let joined: String = mistake.pieces().into_iter().map(|(_, text)| text).collect();
    prop_assert_eq!(joined, shown);
    prop_assert!(mistake.pieces().iter().any(|(piece, _)| *piece == Piece::Message));
    Ok(())
}

fn read_every_way(text: &str) -> Result<(), TestCaseError> {
    let outcomes = [
        parse_scenario("a.yaml", text).map(|(_, warnings)| warnings),
        parse_bench("a.yaml", text).map(|(_, warnings)| warnings),
        parse_kiln("a.yaml", text).map(|(_, warnings)| warnings),
        check_file("a.yaml", text).map(|(_, warnings)| warnings),
    ];
    for outcome in outcomes {
        let refused = outcome.is_err();
        let mistakes = outcome.unwrap_or_else(|mistakes| mistakes);
        prop_assert!(!refused || !mistakes.is_empty(), "refused without a word");
        for mistake in &mistakes {
            is_sound(text, mistake)?;
        }
    }
    Ok(())
}

fn plain<T>(value: T) -> Spanned<T> {
    Spanned { value, span: Span::default() }
}

fn zones() -> impl Strategy<Value = ZoneSelector> {
    prop_oneof![
        Just(ZoneSelector::All),
        (1_u8..=16).prop_map(ZoneSelector::Number),
        "[a-z][a-z0-9-]{0,6}".prop_map(ZoneSelector::Name),
    ]
}

fn limits() -> impl Strategy<Value = Limit> {
    prop_oneof![
        (-50_000_i64..=1_820_000).prop_map(Limit::Temperature),
        (declared(), -500_000_i64..=500_000)
            .prop_map(|(which, plus_millicelsius)| Limit::Declared { which, plus_millicelsius }),
    ]
}

fn declared() -> impl Strategy<Value = DeclaredLimit> {
    prop_oneof![
        Just(DeclaredLimit::TopTemperature),
        Just(DeclaredLimit::KilnLimit),
        Just(DeclaredLimit::LimiterTrip),
        Just(DeclaredLimit::LimiterReset),
    ]
}

fn atoms() -> impl Strategy<Value = Condition> {
    let comparisons = prop_oneof![
        Just(Comparison::Below),
        Just(Comparison::AtMost),
        Just(Comparison::Above),
        Just(Comparison::AtLeast),
    ];
    let switches = prop_oneof![
        relays(),
        zones().prop_map(SwitchSignal::Isolated),
        Just(SwitchSignal::Supply),
        Just(SwitchSignal::Contact(ContactRole::Lid)),
        Just(SwitchSignal::Contact(ContactRole::Stop)),
        Just(SwitchSignal::Contact(ContactRole::Start)),
        Just(SwitchSignal::Contact(ContactRole::Acknowledge)),
        Just(SwitchSignal::Contact(ContactRole::Reset)),
        Just(SwitchSignal::Limiter),
    ];
    let lines = "[a-zA-Z0-9 :#'\"ä°.*+|^$-]{1,20}(\\\\[.d])?"
        .prop_filter_map("no pattern", |text| Some(SwitchSignal::Console(ConsolePattern::new(&text).ok()?)));
    prop_oneof![
        4 => (measured(), comparisons).prop_map(|((measured, limit), comparison)| {
            Condition::Compare { measured: plain(measured), comparison, limit: plain(limit) }
        }),
        3 => (switches, any::<bool>()).prop_map(|(switch, on)| Condition::Is { switch: plain(switch), on }),
        1 => lines.prop_map(|switch| Condition::Is { switch: plain(switch), on: true }),
    ]
}

fn relays() -> impl Strategy<Value = SwitchSignal> {
    prop_oneof![
        zones().prop_map(SwitchSignal::Heat),
        zones().prop_map(SwitchSignal::Element),
        Just(SwitchSignal::Safety),
    ]
}

fn levels() -> impl Strategy<Value = LevelSignal> {
    prop_oneof![
        4 => zones().prop_map(LevelSignal::Kiln),
        4 => zones().prop_map(LevelSignal::Probe),
        1 => Just(LevelSignal::SetPoint),
        1 => Just(LevelSignal::LimiterProbe),
    ]
}

/// What can be measured, with a limit in its unit.
fn measured() -> impl Strategy<Value = (Measured, Limit)> {
    let windows = || (1_i64..=86_400).prop_map(RigSpan::from_seconds);
    let differences = || (-500_000_i64..=500_000).prop_map(Limit::Difference);
    prop_oneof![
        (levels(), limits()).prop_map(|(level, limit)| (Measured::Level(level), limit)),
        (any::<bool>(), differences()).prop_map(|(kiln, limit)| {
            (Measured::Spread(if kiln { SpreadOf::Kiln } else { SpreadOf::Probe }), limit)
        }),
        (levels(), levels(), differences())
            .prop_filter("of itself", |(of, less, _)| of != less)
            .prop_map(|(of, less, limit)| (Measured::Difference { of, less }, limit)),
        (levels(), windows(), differences()).prop_map(|(of, over, limit)| (Measured::Rise { of, over }, limit)),
        (levels(), windows(), -10_000_000_i64..=10_000_000)
            .prop_map(|(of, over, limit)| (Measured::Rate { of, over }, Limit::Rate(limit))),
        (relays(), windows(), 0_i64..=100_000)
            .prop_map(|(of, over, limit)| (Measured::Duty { of, over }, Limit::Share(limit))),
    ]
}

fn has_held(condition: &Condition) -> bool {
    match condition {
        Condition::HeldFor { .. } => true,
        Condition::Compare { .. } | Condition::Is { .. } => false,
        Condition::Not(inner) => has_held(inner),
        Condition::And(parts) | Condition::Or(parts) => parts.iter().any(has_held),
    }
}

fn conditions() -> impl Strategy<Value = Condition> {
    atoms().prop_recursive(4, 24, 4, |inner| {
        prop_oneof![
            inner.clone().prop_map(|condition| Condition::Not(Box::new(condition))),
            prop::collection::vec(inner.clone(), 2..4).prop_map(Condition::And),
            prop::collection::vec(inner.clone(), 2..4).prop_map(Condition::Or),
            (inner, 1_i64..100_000_000).prop_map(|(condition, micros)| if has_held(&condition) {
                condition
            } else {
                Condition::HeldFor { condition: Box::new(condition), length: RigSpan::from_micros(micros) }
            }),
        ]
    })
}

/// The same condition without its places.
fn bare(condition: &Condition) -> Condition {
    match condition {
        Condition::Compare { measured, comparison, limit } => Condition::Compare {
            measured: plain(measured.value.clone()),
            comparison: *comparison,
            limit: plain(limit.value.clone()),
        },
        Condition::Is { switch, on } => Condition::Is { switch: plain(switch.value.clone()), on: *on },
        Condition::HeldFor { condition, length } => {
            Condition::HeldFor { condition: Box::new(bare(condition)), length: *length }
        }
        Condition::Not(inner) => Condition::Not(Box::new(bare(inner))),
        Condition::And(parts) => Condition::And(parts.iter().map(bare).collect()),
        Condition::Or(parts) => Condition::Or(parts.iter().map(bare).collect()),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, rng_seed: RngSeed::Fixed(0x5EED), ..ProptestConfig::default() })]

    #[test]
    fn arbitrary_text_never_panics(text in "\\PC{0,200}") {
        read_every_way(&text)?;
    }

    #[test]
    fn arbitrary_yaml_like_text_never_panics(
        text in "([a-z° ]{0,6}(: |- |, |\\{|\\}|\\[|\\]|\"|'|#|&|\\*|!|\\||>|\\?|\n|\r\n|\t|  |°C|µ|\u{feff})){0,40}"
    ) {
        read_every_way(&text)?;
        read_every_way(&format!("format: 1\nscenario: x\n{text}"))?;
    }

    #[test]
    fn valid_files_with_a_slip_never_panic(
        which in 0_usize..4,
        at in any::<prop::sample::Index>(),
        length in 0_usize..12,
        put in "\\PC{0,6}|\n|\t|\u{feff}|: |, |°C|\\{|\\[",
    ) {
        let mut text = material().swap_remove(which);
        let places: Vec<usize> = text.char_indices().map(|(place, _)| place).collect();
        let start = at.index(places.len());
        let end = (start + length).min(places.len() - 1);
        text.replace_range(places[start]..places[end], &put);
        read_every_way(&text)?;
    }

    #[test]
    fn a_byte_order_mark_and_other_line_ends_change_nothing_but_places(which in 0_usize..4, mark in any::<bool>(), returns in any::<bool>()) {
        let text = material().swap_remove(which);
        let mut other = if returns { text.replace('\n', "\r\n") } else { text.clone() };
        if mark {
            other.insert(0, '\u{feff}');
        }
        // The same mistake, found in the same line and column.
        let broken = |text: &str| text.replacen("format: 1", "format: 9", 1);
        prop_assert!(check_file("a.yaml", &other).is_ok());
        let first = check_file("a.yaml", &broken(&text)).expect_err("a mistake");
        let second = check_file("a.yaml", &broken(&other)).expect_err("a mistake");
        prop_assert_eq!((first[0].line, first[0].column), (second[0].line, second[0].column));
        let shown = broken(&other);
        prop_assert_eq!(&shown[second[0].span.start..second[0].span.end], "9");
    }

    #[test]
    fn a_condition_reads_back_as_it_is_printed(condition in conditions()) {
        let text = condition.to_string();
        let read = parse_condition(&text, ConditionPlace::When).map_err(|mistake| TestCaseError::fail(format!("{text}\n{mistake}")))?;
        prop_assert_eq!(bare(&read), condition, "{}", text);
    }

    #[test]
    fn places_in_a_condition_hold_what_they_stand_for(condition in atoms()) {
        let text = condition.to_string();
        let read = parse_condition(&text, ConditionPlace::Expectation).map_err(|mistake| TestCaseError::fail(mistake.to_string()))?;
        match read {
            Condition::Compare { measured, limit, .. } => {
                prop_assert_eq!(&text[measured.span.start..measured.span.end], measured.value.to_string());
                prop_assert_eq!(&text[limit.span.start..limit.span.end], limit.value.to_string());
            }
            // Their word is the whole sentence.
            Condition::Is { switch, on } if matches!(switch.value, SwitchSignal::Isolated(_)) => {
                prop_assert_eq!(on, text.starts_with("isolated"));
                prop_assert_eq!(&text[switch.span.start..switch.span.end], text.as_str());
            }
            Condition::Is { switch, .. } => {
                prop_assert_eq!(&text[switch.span.start..switch.span.end], switch.value.to_string());
            }
            other => prop_assert!(false, "{other:?}"),
        }
    }

    #[test]
    fn arbitrary_conditions_never_panic(text in "\\PC{0,80}|((kiln|probe|heat|element|not|and|or|for|isolated|live|console|says|rise|rate|duty|of|over|spread|-|\"|\\\\|\\(|\\)|<|<=|>|on|off|\\.|top|2|300 °C|5 s|5 min|9 %|1 °C/h) ?){0,24}") {
        for place in [ConditionPlace::When, ConditionPlace::Expectation] {
            if let Err(mistake) = parse_condition(&text, place) {
                is_sound(&text, &mistake)?;
            }
        }
    }
}
