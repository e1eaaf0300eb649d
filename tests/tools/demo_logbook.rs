//! Writes the demo logbook: an invented shop with two machines, eighteen months, three lenses.
//!
//!     cargo run --example demo_logbook -- fixtures/logbook
//!
//! What happens in it, and what a reader of it should find:
//!
//! | machine | from | what |
//! |---|---|---|
//! | north | 2025-11-10 | the four-inch lens goes in for a job, and comes out on 2025-12-08: the two-inch lens then sits 0.55 mm lower |
//! | north | 2026-02-01 | haze grows on the lens: the line gets paler, wider and fades sooner, until it is cleaned on 2026-05-18 |
//! | south | all along | the bed sinks: the focus creeps by 0.07 mm a month; the head is refitted on 2025-09-15, which moves it by −0.3 mm |
//! | south | 2026-03-09 | the mirrors are aligned: the line gets a little finer |

use std::error::Error;
use std::path::PathBuf;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use narrows::cautions::{Caution, CautionCode};
use narrows::estimate::Estimate;
use narrows::height;
use narrows::logbook::{
    Details, Entry, Event, EventKind, Fitting, FocusFacts, Form, HeadFacts, Kept, Lens, LensOnMachine, LineFacts,
    Logbook, Machine, NamedRamp, Picture, RampFacts, RecordId, Slack, SootSide, When, WhenFrom, supply,
};
use narrows::refusal::{Refusal, RefusalCode};
use narrows::setup::RawSetup;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const SEED: u64 = 20;
const ZONE: &str = "Europe/Lisbon";
const TWO: &str = "two inch";
const SHORT: &str = "inch and a half";
const FOUR: &str = "four inch";

fn main() -> Result<(), Box<dyn Error>> {
    let folder = PathBuf::from(std::env::args().nth(1).unwrap_or_else(|| "fixtures/logbook".to_owned()));
    std::fs::create_dir_all(&folder)?;
    let scratch = folder.join("shop.db.part");
    if scratch.exists() {
        std::fs::remove_file(&scratch)?;
    }
    let mut shop = Shop::open(&scratch)?;
    shop.live()?;
    let mut text = Vec::new();
    shop.book.export(Form::JsonLines, &mut text)?;
    std::fs::write(folder.join("shop.jsonl"), &text)?;
    let readings = shop.book.entries()?;
    println!("{} readings, {} events, {} bytes", readings.len(), shop.book.events()?.len(), text.len());
    drop(shop);
    std::fs::remove_file(&scratch)?;
    Ok(())
}

struct Shop {
    book: Logbook,
    rng: ChaCha8Rng,
    zone: TimeZone,
    machines: Vec<Machine>,
    lenses: Vec<Lens>,
}

/// What is true of a machine on a day.
struct Truth {
    lens: &'static str,
    /// Gap at the waist.
    spacer_mm: f64,
    /// 0 clean, 1 hardly any light gets through.
    haze: f64,
    /// Line width at the focus.
    kerf_mm: f64,
    /// Half the height over which the width grows by a twentieth.
    slack_mm: f64,
    /// Height over which the beam widens.
    length_mm: f64,
    /// Peak fluence at the focus over the threshold.
    overdrive: f64,
}

impl Shop {
    fn open(path: &std::path::Path) -> Result<Self, Box<dyn Error>> {
        Ok(Self {
            book: Logbook::open_or_create(path)?,
            rng: ChaCha8Rng::seed_from_u64(SEED),
            zone: TimeZone::get(ZONE)?,
            machines: Vec::new(),
            lenses: Vec::new(),
        })
    }

    fn live(&mut self) -> Result<(), Box<dyn Error>> {
        self.furnish()?;
        let mut days: Vec<(Date, Day)> = Vec::new();
        for (machine, first, least) in [("north", "2025-03-04", 8), ("south", "2025-03-06", 10)] {
            let mut day: Date = first.parse()?;
            let last: Date = "2026-08-31".parse()?;
            while day <= last {
                days.push((day, Day::Strip(machine)));
                day = day.checked_add((least + self.rng.random_range(0..11_i64)).days())?;
            }
        }
        use EventKind::{HeadRefitted, LensCleaned, LensRefitted, MirrorsAligned, MirrorsCleaned, Other};
        for (date, machine, kind, lens, mark, note) in [
            ("2025-06-16", "north", MirrorsCleaned, None, None, None),
            ("2025-07-21", "south", LensCleaned, None, None, Some("a little soot")),
            ("2025-09-15", "south", HeadRefitted, None, Some("3.5"), Some("new air hose; head taken off for it")),
            ("2025-11-10", "north", LensRefitted, Some(FOUR), Some("12"), Some("thick foam job")),
            ("2025-12-08", "north", LensRefitted, Some(TWO), Some("11.5"), None),
            ("2026-03-09", "south", MirrorsAligned, None, None, None),
            ("2026-04-13", "north", Other, None, None, Some("new honeycomb bed")),
            ("2026-05-18", "north", LensCleaned, None, None, Some("brown haze on the upper side")),
            ("2026-07-06", "south", MirrorsCleaned, None, None, None),
        ] {
            days.push((date.parse()?, Day::Work { machine, kind, lens, mark, note }));
        }
        days.sort_by_key(|(date, day)| (*date, matches!(day, Day::Strip(_))));
        let mut readings: Vec<(RecordId, Entry, Details)> = Vec::new();
        for (date, day) in days {
            match day {
                Day::Work { machine, kind, lens, mark, note } => {
                    let when = self.at(date, 8)?;
                    let event = Event {
                        uid: self.uid(),
                        when,
                        recorded: when.at,
                        machine: machine.to_owned(),
                        kind,
                        lens: lens.map(str::to_owned),
                        tube_mark: mark.map(str::to_owned),
                        note: note.map(str::to_owned),
                        ..Event::default()
                    };
                    self.book.add_event(&event)?;
                }
                Day::Strip(machine) => {
                    let (entry, details) = self.strip(machine, date)?;
                    if let Kept::New(id) = self.book.keep(&entry, &details, false)? {
                        readings.push((id, entry, details));
                    }
                }
            }
        }
        self.mishaps(&readings)
    }

    fn furnish(&mut self) -> Result<(), Box<dyn Error>> {
        let said: Timestamp = "2025-03-03T09:00:00Z".parse()?;
        let block = |spacer_in_use_mm, lens_to_nozzle_mm| Fitting {
            spacer_in_use_mm: Some(spacer_in_use_mm),
            lens_to_nozzle_mm: Some(lens_to_nozzle_mm),
            ..Fitting::default()
        };
        let machine = |name: &str, lens: &str, beam_mm, tip_mm, incline_deg| Machine {
            name: name.to_owned(),
            zone: Some(ZONE.to_owned()),
            wavelength_um: Some(10.6),
            beam_diameter_mm: Some(beam_mm),
            lens: Some(lens.to_owned()),
            fitting: Fitting {
                tip_diameter_mm: Some(tip_mm),
                gauged_from: Some("nozzle tip".to_owned()),
                ..Fitting::default()
            },
            ramp: Some(NamedRamp { name: format!("{name}'s oak ramp"), incline_deg, incline_u_deg: Some(0.03) }),
            note: None,
        };
        let lens = |name: &str, focal_length_mm, on: Vec<LensOnMachine>| Lens {
            name: name.to_owned(),
            nominal_focal_length_mm: Some(focal_length_mm),
            on,
            ..Lens::default()
        };
        let on = |machine: &str, fitting| vec![LensOnMachine { machine: machine.to_owned(), fitting }];
        self.machines = vec![machine("north", TWO, 7.0, 8.0, 5.71), machine("south", SHORT, 5.5, 6.0, 4.57)];
        self.lenses = vec![
            lens(TWO, 50.8, on("north", block(7.0, 43.6))),
            lens(SHORT, 38.1, on("south", block(5.0, 33.2))),
            lens(FOUR, 101.6, on("north", block(9.0, 92.4))),
        ];
        // A machine names its lens, and a lens its machine: one of them has to be said bare first.
        for lens in &self.lenses {
            self.book.say_lens(&Lens { on: Vec::new(), ..lens.clone() }, said)?;
        }
        for machine in &self.machines {
            self.book.say_machine(machine, said)?;
        }
        for lens in &self.lenses {
            self.book.say_lens(lens, said)?;
        }
        Ok(())
    }

    /// A date corrected, a strip withdrawn.
    fn mishaps(&mut self, readings: &[(RecordId, Entry, Details)]) -> Result<(), Box<dyn Error>> {
        let (id, entry, details) = &readings[readings.len() / 3];
        let when = When { at: entry.when.at - 24.hours(), ..entry.when };
        let recorded = entry.recorded + 50.hours();
        let corrected = Entry {
            uid: self.uid(),
            when,
            recorded,
            replaces: Some(*id),
            note: Some("burned the evening before".to_owned()),
            ..entry.clone()
        };
        self.book.keep(&corrected, details, true)?;
        let (id, entry, _) = &readings[readings.len() / 2];
        self.book.withdraw(*id, "the strip slipped on the ramp", entry.recorded + 2.hours())?;
        Ok(())
    }

    fn truth(&self, machine: &str, date: Date) -> Truth {
        let months = |from: &str| from.parse::<Date>().map_or(0.0, |from| (date - from).get_days() as f64 / 30.44);
        let since = |from: &str| months(from) >= 0.0;
        let until = |from: &str| months(from) < 0.0;
        if machine == "south" {
            let refit = if since("2025-09-15") { -0.3 } else { 0.0 };
            let aligned = if since("2026-03-09") { 0.93 } else { 1.0 };
            return Truth {
                lens: SHORT,
                spacer_mm: 4.85 + 0.07 * months("2025-03-06") + refit,
                haze: 0.0,
                kerf_mm: 0.135 * aligned,
                slack_mm: 0.30,
                length_mm: 0.62,
                overdrive: 9.0 / aligned,
            };
        }
        if since("2025-11-10") && until("2025-12-08") {
            return Truth {
                lens: FOUR,
                spacer_mm: 9.2,
                haze: 0.0,
                kerf_mm: 0.29,
                slack_mm: 1.7,
                length_mm: 3.6,
                overdrive: 7.0,
            };
        }
        let refit = if since("2025-12-08") { -0.55 } else { 0.0 };
        let haze = if since("2026-02-01") && until("2026-05-18") { 0.2 * months("2026-02-01") } else { 0.0 };
        Truth {
            lens: TWO,
            spacer_mm: 7.1 + refit,
            haze,
            kerf_mm: 0.172 * (1.0 + 0.22 * haze),
            slack_mm: 0.45,
            length_mm: 0.93,
            overdrive: 7.4 * (1.0 - 0.6 * haze),
        }
    }

    fn strip(&mut self, name: &str, date: Date) -> Result<(Entry, Details), Box<dyn Error>> {
        let truth = self.truth(name, date);
        let machine = self.machines.iter().find(|machine| machine.name == name).ok_or("a machine of the shop")?.clone();
        let lens = self.lenses.iter().find(|lens| lens.name == truth.lens).ok_or("a lens of the shop")?.clone();
        let rise_mm = 150.0 * machine.ramp.as_ref().ok_or("a ramp")?.incline_deg.to_radians().tan();
        // The head is set so that the focus comes near the middle, and the low gap is measured with a caliper.
        let gap_low_mm = truth.spacer_mm + rise_mm * (0.5 + 0.08 * self.normal());
        let measured_mm = ((gap_low_mm + 0.05 * self.normal()) * 20.0).round() / 20.0;
        let [material, power, speed] =
            if name == "north" { ["birch ply 3 mm", "20 %", "20"] } else { ["MDF 3 mm", "25 %", "30"] };
        let mut raw = RawSetup::from_toml(
            &format!(
                "[ramp]\ntravel_mm = 150\nmeasured_with = \"caliper\"\n[head]\ngap_low_mm = {measured_mm}\n[burn]\n\
                 material = \"{material}\"\npower = \"{power}\"\nspeed_mm_s = {speed}\npasses = 1\nair = true\nrun_along = \"x\"\n\
                 [picture]\nlow_end = \"left\"\n"
            ),
            None,
        )?;
        supply(&mut raw, &machine, Some(&lens))?;
        let setup = raw.check()?;
        let slope = setup.ramp.rise.value / setup.ramp.span_mm;
        let span = setup.ramp.span_mm;
        let position_u = (0.055 + 0.03 * self.rng.random::<f64>()) * truth.length_mm.max(0.8) / slope;
        let position = (gap_low_mm - truth.spacer_mm) / slope + position_u * self.normal();
        let position_mm = Estimate::new(rounded(position), rounded(position_u));
        let kerf = truth.kerf_mm * (1.0 + 0.02 * self.normal());
        let kerf_mm = Estimate::new(rounded(kerf), rounded(0.02 * kerf));
        let [below, above] = [0.0; 2].map(|_: f64| truth.slack_mm * (1.0 + 0.05 * self.normal()) / slope);
        let slack_positions = [position - below, position + above].map(rounded);
        let (focus, mut cautions) = height::convert(position_mm, Some(kerf_mm), Some(slack_positions), 0.05, &setup);
        // The line is gone where the threshold is: w/w₀ = A, z = z_R·√(A² − 1).
        let overdrive = truth.overdrive * (1.0 + 0.04 * self.normal());
        let reach = truth.length_mm * (overdrive * overdrive - 1.0).max(0.0).sqrt() / slope;
        let contrast = (0.63 - 0.35 * truth.haze) * (1.0 + 0.03 * self.normal());
        if contrast < 0.35 {
            cautions.push(Caution::new(CautionCode::LineWeak, "the line is pale against the strip"));
        }
        let lopsided = 0.04 * self.normal();
        let soot = self.rng.random_bool(0.15).then_some(SootSide::Right);
        let line = LineFacts {
            visible_mm: Some([(position - reach).max(0.0), (position + reach).min(span)].map(rounded)),
            contrast: rounded(contrast),
            straightness_mm: Some(rounded(0.009 * (1.0 + 0.2 * self.normal()))),
            raggedness_mm: Some(rounded(0.006 * (1.0 + 0.2 * self.normal()))),
            period_mm: None,
            soot_side: soot,
            is_dark: true,
            blur_px: rounded(0.72 * (1.0 + 0.05 * self.normal())),
            straightness_px: rounded(0.21 * (1.0 + 0.1 * self.normal())),
            raggedness_px: rounded(0.14 * (1.0 + 0.1 * self.normal())),
            sides_mm: Some([1.0 - lopsided, 1.0 + lopsided].map(|part| rounded(truth.length_mm / slope * part))),
            overdrive: Some(rounded(overdrive)),
        };
        let hour = 9 + self.rng.random_range(0..8_i8);
        let when = self.at(date, hour)?;
        let mut entry = Entry {
            uid: self.uid(),
            when: When { from: WhenFrom::Picture, zone_assumed: true, ..when },
            recorded: when.at + 20.minutes(),
            machine: machine.name.clone(),
            lens: Some(lens.name.clone()),
            burn: setup.burn.clone(),
            picture: Picture {
                name: format!("{name}-{date}.jpg"),
                sha256: Some(format!("{}{}", self.uid(), self.uid())),
                width_px: 3720,
                height_px: 640,
                orientation: 1,
                mm_per_px: Some(0.042_333),
                area_px: None,
            },
            ramp: RampFacts { travel_mm: setup.ramp.travel_mm, span_mm: span, rise_mm: setup.ramp.rise },
            head: HeadFacts {
                spacer_in_use_mm: setup.head.spacer_in_use_mm,
                lens_to_nozzle_mm: setup.head.lens_to_nozzle.map(|offset| offset.value),
                nominal_focal_length_mm: setup.head.nominal_focal_length_mm,
                gauged_from: setup.head.gauged_from.clone(),
            },
            focus: FocusFacts {
                position_mm: Some(focus.position_mm),
                height_mm: focus.height_mm,
                spacer_mm: focus.spacer_mm,
                change_mm: focus.change_mm,
                focal_distance_mm: focus.focal_distance_mm,
                kerf_mm: focus.kerf_mm,
                slack: focus.depth_of_focus_mm.map(|slack| Slack {
                    fraction: slack.fraction,
                    below_mm: slack.below_mm,
                    above_mm: slack.above_mm,
                    positions_mm: Some(slack_positions),
                }),
            },
            line: Some(line),
            cautions,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            ..Entry::default()
        };
        if self.rng.random_bool(0.03) {
            entry.focus = FocusFacts::default();
            entry.refusal = Some(Refusal::new(
                RefusalCode::NotBracketed,
                "the line is still getting finer where it stops at the high end",
                "lower the ramp by about half its rise and burn another strip",
            ));
        }
        Ok((entry, Details { setup: raw.to_toml(), ..Details::default() }))
    }

    fn at(&self, date: Date, hour: i8) -> Result<When, jiff::Error> {
        let at = self.zone.to_timestamp(date.at(hour, 0, 0, 0))?;
        Ok(When { at, offset: self.zone.to_offset(at), from: WhenFrom::Given, zone_assumed: false })
    }

    fn uid(&mut self) -> String {
        format!("{:032x}", self.rng.random::<u128>())
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.rng)
    }
}

enum Day {
    Strip(&'static str),
    Work {
        machine: &'static str,
        kind: EventKind,
        lens: Option<&'static str>,
        mark: Option<&'static str>,
        note: Option<&'static str>,
    },
}

/// Micrometres are as fine as anything here.
fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}
