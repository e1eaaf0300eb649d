//! An invented shop: readings of one machine over years, with whatever befalls its focus and its beam.

use jiff::Timestamp;
use narrows::estimate::Estimate;
use narrows::logbook::{Entry, Event, EventKind, FocusFacts, HeadFacts, LineFacts, Picture, RampFacts, Slack, When};
use narrows::setup::Burn;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// The day the shop begins to keep readings: 2025-01-06.
const BEGIN: i64 = 1_736_121_600;

/// What the shop is like. Lengths in mm.
#[derive(Debug, Clone)]
pub struct Shop {
    /// Seed of its dice.
    pub seed: u64,
    /// Readings it takes.
    pub readings: usize,
    /// Days from one to the next, about.
    pub every_days: f64,
    /// What the picture and the fit scatter, and say they do.
    pub repeatability: f64,
    /// What gauging anew for every strip scatters besides.
    pub gauging: f64,
    /// What heights and head have in common in all readings.
    pub common: f64,
    /// The block that fits at first.
    pub block: f64,
    /// How fast it creeps, mm per month.
    pub creep: f64,
    /// After so many readings the focus moves by so much, unseen.
    pub step: Option<(usize, f64)>,
    /// Before these readings the lens was out; the focus moves by so much.
    pub refits: Vec<(usize, f64)>,
    /// Other things done, before a reading.
    pub done: Vec<(usize, EventKind)>,
    /// Height slack below and above the focus.
    pub slack: [f64; 2],
    /// From this reading on the line is weaker: shares of reach and contrast that are left.
    pub dirt: Option<(usize, f64)>,
}

impl Default for Shop {
    fn default() -> Self {
        Self {
            seed: 1,
            readings: 12,
            every_days: 30.0,
            repeatability: 0.08,
            gauging: 0.09,
            common: 0.12,
            block: 8.3,
            creep: 0.0,
            step: None,
            refits: Vec::new(),
            done: Vec::new(),
            slack: [0.45, 0.40],
            dirt: None,
        }
    }
}

impl Shop {
    /// Its logbook, in the order of time.
    pub fn logbook(&self) -> (Vec<Entry>, Vec<Event>) {
        let mut dice = ChaCha8Rng::seed_from_u64(self.seed);
        let mut normal = || -> f64 { StandardNormal.sample(&mut dice) };
        let common = self.common * normal();
        let mut entries = Vec::new();
        let mut events = Vec::new();
        let mut seconds = BEGIN;
        for number in 0..self.readings {
            let wait = self.every_days * (1.0 + 0.25 * normal().clamp(-2.0, 2.0));
            seconds += (wait * 86_400.0) as i64;
            let days = (seconds - BEGIN) as f64 / 86_400.0;
            let moved = |list: &[(usize, f64)]| list.iter().filter(|(at, _)| number >= *at).map(|m| m.1).sum::<f64>();
            let done = self.refits.iter().filter(|r| r.0 == number).map(|_| EventKind::LensRefitted);
            for kind in done.chain(self.done.iter().filter(|d| d.0 == number).map(|d| d.1)) {
                events.push(self.event(events.len(), seconds - 86_400, kind));
            }
            let truth =
                self.block + self.creep * days / (365.25 / 12.0) + moved(&self.refits) + moved(self.step.as_slice());
            let spacer = truth + common + self.repeatability.hypot(self.gauging) * normal();
            let left = self.dirt.filter(|(from, _)| number >= *from).map_or(1.0, |dirt| dirt.1);
            entries.push(self.entry(number, seconds, spacer, left, [normal(), normal(), normal()]));
        }
        (entries, events)
    }

    fn entry(&self, number: usize, seconds: i64, spacer: f64, left: f64, dice: [f64; 3]) -> Entry {
        let slope = 0.12_f64;
        let [position, span] = [50.0, 100.0];
        let reach = [42.0 * left * (1.0 + 0.03 * dice[0]), 44.0 * left * (1.0 + 0.03 * dice[0])];
        Entry {
            id: 1 + number as i64,
            uid: format!("{number:032x}"),
            when: When::from(Timestamp::from_second(seconds).expect("a time")),
            machine: "north".to_owned(),
            lens: Some("two-inch".to_owned()),
            burn: Burn {
                material: Some("birch ply 3 mm".to_owned()),
                power: Some("20 %".to_owned()),
                speed_mm_s: Some(20.0),
                passes: Some(1),
                air: Some(true),
                run_along: Some("x".to_owned()),
            },
            picture: Picture { name: format!("north-{number:03}.jpg"), ..Picture::default() },
            ramp: RampFacts {
                travel_mm: span * (1.0 - slope * slope).sqrt(),
                span_mm: span,
                rise_mm: Estimate::new(slope * span, 0.1),
            },
            head: HeadFacts { spacer_in_use_mm: Some(self.block), ..HeadFacts::default() },
            focus: FocusFacts {
                position_mm: Some(Estimate::new(position, self.repeatability / slope)),
                spacer_mm: Some(Estimate::new(spacer, self.repeatability.hypot(self.gauging).hypot(self.common))),
                kerf_mm: Some(Estimate::new(0.21 * (1.0 + 0.025 * dice[1]), 0.005)),
                slack: Some(Slack {
                    fraction: 0.05,
                    below_mm: self.slack[0],
                    above_mm: self.slack[1],
                    positions_mm: None,
                }),
                ..FocusFacts::default()
            },
            line: Some(LineFacts {
                visible_mm: Some([position - reach[0], position + reach[1]]),
                contrast: 0.82 * left.sqrt() + 0.015 * dice[2],
                straightness_mm: Some(0.012 * (0.15 * dice[1]).exp()),
                raggedness_mm: Some(0.008),
                is_dark: true,
                blur_px: 0.9,
                sides_mm: Some([9.0, 9.0 * (0.04 * dice[0]).exp()]),
                overdrive: Some(18.0 * left * (0.2 * dice[2]).exp()),
                ..LineFacts::default()
            }),
            ..Entry::default()
        }
    }

    fn event(&self, number: usize, seconds: i64, kind: EventKind) -> Event {
        Event {
            id: 1_000 + number as i64,
            uid: format!("{:032x}", 1_000 + number),
            when: When::from(Timestamp::from_second(seconds).expect("a time")),
            machine: "north".to_owned(),
            kind,
            ..Event::default()
        }
    }
}
