//! A read-only converter that a channel plays in place of a probe.
//!
//! The parts are read-only: while one is selected it shifts its word out, and its conversion is broken off; let
//! go, it begins the next. So a controller that looks more often than the part can convert reads the same word for
//! ever, and that is what it finds here.
//!
//! Shifting is the board's business, which has to latch [`Player::word`] when it is selected.

use dryfire_link::{ConverterPart, PlayedConverter};
use dryfire_units::converter::{FourteenBitConverter, TerminalSignal, TwelveBitConverter};
use dryfire_units::{MilliCelsius, RigSpan, RigTime, ThermocoupleType};

/// By so much a conversion takes less than the slowest part's: a board may be late with a word, and shall not
/// for that be slower than any real part.
const ALLOWANCE: RigSpan = RigSpan::from_millis(2);

/// The part, with what it is made for.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Part {
    FourteenBit(FourteenBitConverter),
    TwelveBit(TwelveBitConverter),
}

/// The select line of a part that is played.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Select {
    /// It is low: the part is being read.
    pub low: bool,
    /// When it last went high, if it ever did.
    pub released: Option<RigTime>,
}

/// One converter that is played: its conversions and the word that it has for whoever selects it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Player {
    part: Part,
    cold_junction: MilliCelsius,
    /// When the conversion that goes on began.
    began: RigTime,
    word: u32,
}

impl Player {
    /// A part whose supply comes on at `now`; `None` if there is no such read-only part. Until its first conversion is
    /// finished it shows an open probe (what a real part shows then was not seen in print).
    pub fn new(played: PlayedConverter, now: RigTime) -> Option<Self> {
        let thermocouple = ThermocoupleType::from_letter(char::from(played.thermocouple))?;
        let part = match played.part {
            ConverterPart::FourteenBit => Part::FourteenBit(FourteenBitConverter::new(thermocouple)?),
            ConverterPart::TwelveBit if thermocouple == ThermocoupleType::K => Part::TwelveBit(TwelveBitConverter),
            ConverterPart::TwelveBit | ConverterPart::Linearised => return None,
        };
        let cold_junction = MilliCelsius::new(i64::from(played.cold_junction_millicelsius));
        let mut player = Player { part, cold_junction, began: now, word: 0 };
        player.word = player.convert(TerminalSignal::Open);
        Some(player)
    }

    /// Its supply comes on again at `now`.
    pub fn start(&mut self, now: RigTime) {
        self.began = now;
        self.word = self.convert(TerminalSignal::Open);
    }

    /// Its cold junction has another temperature from the next conversion on.
    pub fn warm(&mut self, cold_junction: MilliCelsius) {
        self.cold_junction = cold_junction;
    }

    /// The word that is shifted out, highest bit first; a word of 16 bits stands in the upper half.
    pub const fn word(&self) -> u32 {
        self.word
    }

    /// Bits of the word.
    pub const fn bits(&self) -> u32 {
        match self.part {
            Part::FourteenBit(_) => 32,
            Part::TwelveBit(_) => 16,
        }
    }

    /// How long a conversion takes: that of the slowest part, less 2 ms for the board.
    pub fn period(&self) -> RigSpan {
        let slowest = match self.part {
            Part::FourteenBit(_) => FourteenBitConverter::CONVERSION_PERIOD,
            Part::TwelveBit(_) => TwelveBitConverter::CONVERSION_PERIOD,
        };
        slowest - ALLOWANCE
    }

    /// When [`Self::advance`] has to be called again.
    pub fn due(&self) -> RigTime {
        self.began + self.period()
    }

    /// Finishes the conversions up to `now`; says whether the word is another one. `terminals` gives what is at
    /// the terminals at the end of a conversion, and how long that has taken.
    ///
    /// A conversion that ended and a read that began after it are not told apart by a board that looks later than
    /// both: it takes the conversion as broken off.
    pub fn advance(
        &mut self,
        now: RigTime,
        select: Select,
        terminals: impl FnOnce(RigTime, RigSpan) -> TerminalSignal,
    ) -> bool {
        if let Some(released) = select.released {
            self.began = self.began.max(released);
        }
        if select.low {
            // The next one begins when it is let go, which is later than now.
            self.began = self.began.max(now);
            return false;
        }
        let period = self.period();
        let finished = (now - self.began).as_micros() / period.as_micros();
        if finished < 1 {
            return false;
        }
        self.began += period.times(finished);
        let word = self.convert(terminals(self.began, period));
        core::mem::replace(&mut self.word, word) != word
    }

    fn convert(&self, terminals: TerminalSignal) -> u32 {
        match self.part {
            Part::FourteenBit(part) => part.word(terminals, self.cold_junction).0,
            Part::TwelveBit(part) => u32::from(part.word(terminals, self.cold_junction).0) << 16,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use dryfire_units::Nanovolts;
    use rstest::rstest;

    const MS: i64 = 1_000;

    fn at(micros: i64) -> RigTime {
        RigTime::from_micros(micros)
    }

    fn player(part: ConverterPart, cold_junction_millicelsius: i32) -> Player {
        Player::new(PlayedConverter { part, thermocouple: b'K', cold_junction_millicelsius }, at(0)).expect("a part")
    }

    fn voltage(nanovolts: i32) -> TerminalSignal {
        TerminalSignal::Voltage(Nanovolts::new(nanovolts))
    }

    /// The word after one conversion that nobody disturbs.
    fn converted(part: ConverterPart, cold: i32, terminals: TerminalSignal) -> u32 {
        let mut player = player(part, cold);
        player.advance(at(500 * MS), Select::default(), |_, _| terminals);
        player.word()
    }

    /// Code tables of the part's data sheet (hot and cold junction in its Tables 4 and 5, bits 31 to 18 and 15 to 4; bits
    /// 2, 1, 0 for the faults and 16 for any). The volts are the part's own line, 41.276 µV/°C (from memory).
    #[rstest]
    #[case::hottest(1_600.0, 25.0, 0x6400_1900)]
    #[case::a_thousand(1_000.0, 25.0, 0x3E80_1900)]
    #[case::quarters(100.75, 100.5625, 0x064C_6490)]
    #[case::cold_junction(25.0, 25.0, 0x0190_1900)]
    #[case::nothing(0.0, 0.0, 0x0000_0000)]
    #[case::least_below_zero(-0.25, -0.0625, 0xFFFC_FFF0)]
    #[case::below_zero(-1.0, -1.0, 0xFFF0_FF00)]
    #[case::coldest(-250.0, -55.0, 0xF060_C900)]
    fn words_of_fourteen_bits(#[case] celsius: f64, #[case] cold: f64, #[case] word: u32) {
        let nanovolts = ((celsius - cold) * 41_276.0).round() as i32;
        // The cold junction's half thousandths: 100.5625 becomes 100.563, −0.0625 becomes −0.063, the same codes.
        let cold = (cold * 1_000.0).round() as i32;
        let found = converted(ConverterPart::FourteenBit, cold, voltage(nanovolts));
        assert_eq!(found, word, "{found:08x}");
    }

    #[rstest]
    #[case::open(TerminalSignal::Open, 0x0001_1901)]
    #[case::ground(TerminalSignal::ShortToGround, 0x0001_1902)]
    #[case::supply(TerminalSignal::ShortToSupply, 0x0001_1904)]
    fn faults_of_fourteen_bits(#[case] terminals: TerminalSignal, #[case] word: u32) {
        assert_eq!(converted(ConverterPart::FourteenBit, 25_000, terminals), word);
    }

    /// Code table of the part's data sheet, bits 14 to 3; bit 2 is an open probe. Its line has 41 µV/°C.
    #[rstest]
    #[case(voltage(-1_025_000), 0x0000)]
    #[case(voltage(0), 0x0320)]
    #[case(voltage(3_105_750), 0x0C98)]
    #[case(voltage(39_975_000), 0x7D00)]
    #[case(voltage(80_000_000), 0x7FF8)]
    #[case(TerminalSignal::Open, 0x0004)]
    fn words_of_twelve_bits_stand_in_the_upper_half(#[case] terminals: TerminalSignal, #[case] word: u32) {
        assert_eq!(converted(ConverterPart::TwelveBit, 25_000, terminals), word << 16);
    }

    #[rstest]
    #[case(ConverterPart::FourteenBit, b'B')]
    #[case(ConverterPart::TwelveBit, b'S')]
    #[case(ConverterPart::TwelveBit, 0)]
    fn there_is_no_such_part(#[case] part: ConverterPart, #[case] thermocouple: u8) {
        let played = PlayedConverter { part, thermocouple, cold_junction_millicelsius: 0 };
        assert_eq!(Player::new(played, at(0)), None);
    }

    #[test]
    fn until_its_first_conversion_it_shows_an_open_probe_and_again_after_its_supply() {
        let mut player = player(ConverterPart::FourteenBit, 25_000);
        assert_eq!(player.word(), 0x0001_1901);
        assert!(!player.advance(at(97_999), Select::default(), |_, _| voltage(0)));
        assert_eq!(player.due(), at(98_000));
        assert!(player.advance(at(98_000), Select::default(), |_, _| voltage(0)));
        assert_eq!(player.word(), 0x0190_1900);
        player.start(at(150_000));
        assert_eq!((player.word(), player.due()), (0x0001_1901, at(248_000)));
    }

    #[rstest]
    #[case::as_fast_as_it_converts(99, 50)]
    #[case::twice_as_fast(49, 0)]
    #[case::slower_than_it_converts(150, 50)]
    fn a_controller_that_looks_too_often_reads_the_same_word_for_ever(#[case] every_ms: i64, #[case] fresh: usize) {
        let mut player = player(ConverterPart::FourteenBit, 25_000);
        let mut released = None;
        let mut changed = 0;
        for look in 1..=50 {
            let now = look * every_ms * MS;
            // Another temperature each time, by two degrees.
            let rise = voltage(look as i32 * 82_552);
            changed += usize::from(player.advance(at(now), Select { low: false, released }, |_, _| rise));
            // It is read for 50 µs.
            assert!(!player.advance(at(now + 20), Select { low: true, released }, |_, _| rise));
            released = Some(at(now + 50));
        }
        assert_eq!(changed, fresh);
    }

    #[test]
    fn a_part_that_is_held_selected_converts_nothing_and_begins_when_it_is_let_go() {
        let mut player = player(ConverterPart::FourteenBit, 25_000);
        for now in (0..1_000).step_by(10) {
            assert!(!player.advance(at(now * MS), Select { low: true, released: None }, |_, _| voltage(0)));
            assert!(player.due() > at(now * MS), "a board would never sleep");
        }
        let select = Select { low: false, released: Some(at(1_000 * MS)) };
        assert!(!player.advance(at(1_097 * MS), select, |_, _| voltage(0)));
        assert!(player.advance(at(1_098 * MS), select, |_, _| voltage(0)));
    }

    #[test]
    fn who_looks_late_finds_the_conversion_of_its_own_instant() {
        let mut player = player(ConverterPart::TwelveBit, 25_000);
        let mut asked = None;
        player.advance(at(1_000 * MS), Select::default(), |at, period| {
            asked = Some((at, period));
            TerminalSignal::Open
        });
        // 218 ms each: the fourth ends at 872 ms.
        assert_eq!(asked, Some((at(872 * MS), RigSpan::from_millis(218))));
    }

    #[test]
    fn a_warmer_cold_junction_is_in_the_next_word() {
        let mut player = player(ConverterPart::FourteenBit, 25_000);
        player.advance(at(98 * MS), Select::default(), |_, _| voltage(0));
        player.warm(MilliCelsius::new(60_000));
        assert_eq!(player.word(), 0x0190_1900);
        player.advance(at(196 * MS), Select::default(), |_, _| voltage(0));
        // 60 °C is 240 steps of the one and 960 of the other.
        assert_eq!(player.word(), 240 << 18 | 960 << 4);
    }
}
