//! Readings made by hand, with the picture they could have come from: drawn here, not measured.

use narrows::cautions::{Caution, CautionCode};
use narrows::estimate::Estimate;
use narrows::locate::{Course, Mark, Tie, TieSample};
use narrows::photo::{Light, Photo};
use narrows::reading::{DepthOfFocus, Fit, Focus, ImageFacts, Model, Reading, Waist};
use narrows::refusal::{Refusal, RefusalCode};
use narrows::setup::{Burn, Datum, Head, HeadPlace, PictureSetup, Ramp, Setup, Side, Steepness};
use narrows::stations::{LeftOut, LineQuality, Station};
use ndarray::Array2;

/// A picture, what it gave, and the setup it was read with.
pub struct Sample {
    #[allow(dead_code)]
    pub photo: Photo,
    pub reading: Reading,
    pub setup: Setup,
}

/// What to draw.
#[derive(Clone)]
pub struct Scene {
    pub size_px: [usize; 2],
    /// Low and high datum in the picture.
    pub low_px: [f64; 2],
    pub high_px: [f64; 2],
    pub span_mm: f64,
    pub rise_mm: f64,
    pub waist_mm: f64,
    pub kerf_mm: f64,
    pub rayleigh_mm: f64,
    /// Between measured places.
    pub pitch_mm: f64,
    pub marks: usize,
    pub heights: bool,
    pub head: bool,
    pub in_use_mm: Option<f64>,
    pub expanded_mm: f64,
}

impl Scene {
    /// A 200 mm strip lying across the picture, scanned at 300 dpi.
    pub fn landscape() -> Self {
        Self {
            size_px: [2480, 640],
            low_px: [130.0, 330.0],
            high_px: [2350.0, 300.0],
            span_mm: 188.0,
            rise_mm: 15.0,
            waist_mm: 112.0,
            kerf_mm: 0.24,
            rayleigh_mm: 22.0,
            pitch_mm: 1.5,
            marks: 0,
            heights: true,
            head: true,
            in_use_mm: Some(7.0),
            expanded_mm: 1.6,
        }
    }

    pub fn build(&self) -> Sample {
        let [dx, dy] = [self.high_px[0] - self.low_px[0], self.high_px[1] - self.low_px[1]];
        let length_px = dx.hypot(dy);
        let direction = [dx / length_px, dy / length_px];
        let mm_per_px = self.span_mm / length_px;
        let step_px = length_px / 60.0;
        let wobble = |along: f64| 0.06 / mm_per_px * (along / length_px * 19.0).sin();
        let course = Course {
            origin_px: self.low_px,
            direction,
            start_px: 0.0,
            end_px: length_px,
            step_px,
            offsets_px: (0..=60).map(|i| wobble(f64::from(i) * step_px)).collect(),
            is_dark: true,
        };
        let kerf_mm = |p: f64| self.kerf_mm * (1.0 + ((p - self.waist_mm) / self.rayleigh_mm).powi(2)).sqrt();
        let outline_px = self.outline(&course, mm_per_px);
        let photo = self.draw(&course, mm_per_px, &kerf_mm, outline_px);

        let count = (self.span_mm / self.pitch_mm) as usize;
        let stations = (0..=count)
            .map(|i| {
                let position = i as f64 * self.pitch_mm;
                let left_out = match i {
                    0..3 => Some(LeftOut::NearEnd),
                    _ if i + 2 >= count => Some(LeftOut::Faint),
                    _ if i % 29 == 11 => Some(LeftOut::Disturbed),
                    _ if i % 41 == 17 => Some(LeftOut::Outlier),
                    _ => None,
                };
                let jitter = 0.006 * noise(i as u64, 7);
                let odd = if left_out.is_some() { 0.05 * (1.0 + noise(i as u64, 9)) } else { 0.0 };
                let kerf = kerf_mm(position) + jitter + odd;
                let along_px = position / mm_per_px;
                let half = kerf / mm_per_px / 2.0;
                Station {
                    along_px,
                    position_mm: Some(position),
                    left_edge_px: course.place(along_px, half),
                    right_edge_px: course.place(along_px, -half),
                    kerf_px: kerf / mm_per_px,
                    standard_uncertainty_px: (0.007 + odd / 5.0) / mm_per_px,
                    kerf_mm: Some(kerf),
                    centre_px: course.offset_at(along_px),
                    core: 0.09,
                    contrast: 0.62,
                    edge_sigma_px: 0.9,
                    used: left_out.is_none(),
                    left_out,
                }
            })
            .collect::<Vec<_>>();

        let position = Estimate::new(self.waist_mm, self.expanded_mm / 2.0);
        let slope = self.rise_mm / self.span_mm;
        let slack = 0.32 * self.rayleigh_mm;
        let fits = self.fits(&kerf_mm);
        let along_px = self.waist_mm / mm_per_px;
        let waist = Waist {
            position_mm: position,
            along_px,
            place_px: course.place(along_px, 0.0),
            kerf_px: Estimate::new(self.kerf_mm / mm_per_px, 0.06),
            kerf_mm: Some(Estimate::new(self.kerf_mm, 0.006)),
            slack_positions_mm: Some([self.waist_mm - slack, self.waist_mm + 0.9 * slack]),
        };
        let u_height = (position.standard_uncertainty * slope).hypot(0.1);
        let spacer = Estimate::new(17.0 - 14.912 * self.waist_mm / self.span_mm, u_height);
        let focus = Focus {
            position_mm: position,
            height_mm: self.heights.then(|| Estimate::new(3.0 + slope * self.waist_mm, u_height)),
            spacer_mm: self.head.then_some(spacer),
            change_mm: self.in_use_mm.filter(|_| self.head).map(|b| Estimate::new(spacer.value - b, u_height)),
            focal_distance_mm: self.head.then(|| Estimate::new(spacer.value + 41.8, u_height.hypot(0.3))),
            kerf_mm: waist.kerf_mm,
            depth_of_focus_mm: Some(DepthOfFocus {
                fraction: 0.05,
                below_mm: slack * slope,
                above_mm: 0.9 * slack * slope,
            }),
        };
        let reading = Reading {
            image: ImageFacts {
                width_px: self.size_px[0],
                height_px: self.size_px[1],
                orientation: 1,
                mm_per_px: Some(mm_per_px),
            },
            light: Light::Luminance,
            outline_px: Some(outline_px),
            tie: Some(self.tie(&course, mm_per_px)),
            course: Some(course),
            stations,
            fits,
            line: Some(LineQuality {
                straightness_px: 0.71,
                straightness_mm: Some(0.71 * mm_per_px),
                raggedness_px: 0.38,
                raggedness_mm: Some(0.38 * mm_per_px),
                period_mm: None,
                blur_px: 0.8,
                contrast: 0.62,
                soot_side: Some("left"),
                is_dark: true,
            }),
            waist: Some(waist),
            outcome: Ok(focus),
            cautions: Vec::new(),
        };
        Sample { photo, reading, setup: self.setup() }
    }

    fn fits(&self, kerf_mm: &dyn Fn(f64) -> f64) -> Vec<Fit> {
        let over = |from: f64, to: f64, kerf: &dyn Fn(f64) -> f64| {
            (0..=80).map(|i| from + (to - from) * f64::from(i) / 80.0).map(|p| [p, kerf(p)]).collect::<Vec<_>>()
        };
        let end = self.span_mm - 2.0 * self.pitch_mm;
        let near = [(self.waist_mm - self.rayleigh_mm).max(2.0), (self.waist_mm + self.rayleigh_mm).min(end)];
        let parabola = |p: f64| self.kerf_mm * (1.004 + 0.44 * ((p - self.waist_mm - 0.4) / self.rayleigh_mm).powi(2));
        let fit = |model, shift: f64, used, weight, range_mm: [f64; 2], curve| Fit {
            model,
            position_mm: Estimate::new(self.waist_mm + shift, self.expanded_mm * (0.6 + shift.abs() / 4.0)),
            used,
            weight,
            range_mm,
            stations: ((range_mm[1] - range_mm[0]) / self.pitch_mm) as usize,
            relative_rms: 0.024,
            curve,
            parameters: [("kerf_mm", self.kerf_mm), ("rayleigh_range_mm", self.rayleigh_mm)].into(),
        };
        vec![
            fit(Model::Parabola, 0.4, true, 0.35, near, over(near[0], near[1], &parabola)),
            fit(Model::ThresholdCaustic, -0.2, true, 0.65, [4.5, end], over(4.5, end, kerf_mm)),
            fit(
                Model::TwoSidedCaustic,
                1.1,
                false,
                0.0,
                [4.5, end],
                over(4.5, end, &|p| kerf_mm(p - 1.1) * if p > self.waist_mm { 1.02 } else { 0.985 }),
            ),
        ]
    }

    fn tie(&self, course: &Course, mm_per_px: f64) -> Tie {
        let span_px = self.span_mm / mm_per_px;
        let marks = (0..self.marks)
            .filter(|i| i % 7 != 3)
            .map(|index| {
                let along = span_px * index as f64 / (self.marks - 1) as f64;
                let half = |sign: f64, outer: f64| {
                    [course.place(along, sign * 6.0 / mm_per_px), course.place(along, sign * outer / mm_per_px)]
                };
                let right = if index % 3 == 0 { 9.0 } else { 12.0 };
                Mark {
                    index,
                    place_px: course.place(along, 0.0),
                    halves_px: [Some(half(1.0, 12.0)), (index % 5 != 4).then(|| half(-1.0, right))],
                }
            })
            .collect();
        Tie {
            datum: if self.marks > 0 { "marks" } else { "ends" },
            low_px: self.low_px,
            high_px: self.high_px,
            marks,
            samples: [0.0, 0.5, 1.0]
                .map(|share| TieSample {
                    along_px: share * span_px,
                    position_mm: share * self.span_mm,
                    standard_uncertainty_mm: 0.1,
                })
                .to_vec(),
        }
    }

    fn outline(&self, course: &Course, mm_per_px: f64) -> [[f64; 2]; 4] {
        let [before, after, half] = [-8.0 / mm_per_px, (self.span_mm + 8.0) / mm_per_px, 20.0 / mm_per_px];
        let straight = Course { offsets_px: vec![0.0; 2], ..course.clone() };
        let inside =
            |[x, y]: [f64; 2]| [x.clamp(3.0, self.size_px[0] as f64 - 3.0), y.clamp(3.0, self.size_px[1] as f64 - 3.0)];
        [(before, half), (after, half), (after, -half), (before, -half)].map(|(a, c)| inside(straight.place(a, c)))
    }

    fn draw(&self, course: &Course, mm_per_px: f64, kerf_mm: &dyn Fn(f64) -> f64, outline: [[f64; 2]; 4]) -> Photo {
        let span_px = self.span_mm / mm_per_px;
        let is_inside = |p: [f64; 2]| {
            (0..4).all(|i| {
                let [a, b] = [outline[i], outline[(i + 1) % 4]];
                let side = (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]);
                // The corners run the way round that puts the inside on this side.
                side >= 0.0
            })
        };
        let luminance = Array2::from_shape_fn((self.size_px[1], self.size_px[0]), |(row, column)| {
            let place = [column as f64 + 0.5, row as f64 + 0.5];
            let speck = noise((row * self.size_px[0] + column) as u64, 3);
            if !is_inside(place) {
                return (65535.0 * (0.06 + 0.01 * speck)) as u16;
            }
            let [along, across] = course.along_across(place);
            let position = along * mm_per_px;
            let grain = 0.03 * (across * mm_per_px * 2.6 + (position / 30.0).sin()).sin();
            let mut light = 0.47 + grain + 0.015 * speck;
            let beyond = (-along).max(along - span_px).max(0.0);
            let kerf_px = kerf_mm(position.clamp(0.0, self.span_mm)) / mm_per_px;
            let depth = (kerf_px / 2.0 - (across.abs()).hypot(beyond)).clamp(-0.9, 0.9) / 1.8 + 0.5;
            let soot = (-(across.max(0.0) * mm_per_px / 0.8)).exp() * if across > 0.0 { 0.12 } else { 0.0 };
            light -= soot * light;
            light += depth * (0.09 - light);
            for i in 0..self.marks {
                let at = span_px * i as f64 / (self.marks - 1) as f64;
                let away = (across * mm_per_px).abs();
                let outer = if across < 0.0 && i % 3 == 0 { 9.0 } else { 12.0 };
                if (along - at).abs() < 0.18 / mm_per_px && away > 6.0 && away < outer {
                    light = 0.12;
                }
            }
            (65535.0 * light.clamp(0.0, 1.0)) as u16
        });
        Photo::from_light(luminance)
    }

    fn setup(&self) -> Setup {
        let travel_mm = (self.span_mm.powi(2) - self.rise_mm.powi(2)).sqrt();
        let gap = |value| Some(Estimate::new(value, 0.1));
        Setup {
            ramp: Ramp {
                travel_mm,
                span_mm: self.span_mm,
                rise: Estimate::new(self.rise_mm, 0.14),
                steepness: if self.heights { Steepness::Heights } else { Steepness::Incline },
                heights: self.heights.then(|| [Estimate::new(3.0, 0.1), Estimate::new(3.0 + self.rise_mm, 0.1)]),
                middle_height: None,
                flatness_u_mm: 0.1,
                strip_length_mm: None,
                strip_width_mm: None,
            },
            head: if self.head {
                Head {
                    place: Some(HeadPlace::Gaps { low: gap(17.0), high: gap(2.088), middle: None, by_block: None }),
                    lens_to_nozzle: Some(Estimate::new(41.8, 0.3)),
                    nominal_focal_length_mm: Some(50.8),
                    spacer_in_use_mm: self.in_use_mm,
                    spacer_in_use_u_mm: 0.0,
                    gauged_from: Some("nozzle tip".to_owned()),
                }
            } else {
                Head::unknown()
            },
            burn: Burn::default(),
            picture: PictureSetup {
                datum: if self.marks > 0 {
                    Datum::Marks { pitch_mm: travel_mm / (self.marks - 1) as f64, last: self.marks - 1 }
                } else {
                    Datum::Ends
                },
                low_end: Some(Side::Left),
                dpi: None,
                area_px: None,
            },
        }
    }
}

impl Sample {
    /// The same picture with no answer, its stages kept as far as the refusal lets them come.
    pub fn refused(mut self, code: RefusalCode, message: &str, advice: &str) -> Self {
        self.reading.outcome = Err(Refusal { code, message: message.to_owned(), advice: advice.to_owned() });
        self.reading.waist = None;
        match code {
            RefusalCode::NoLine => {
                self.reading.course = None;
                self.untie();
                self.reading.stations.clear();
                self.reading.fits.clear();
                self.reading.line = None;
            }
            RefusalCode::EndsNotFound => {
                self.untie();
                self.reading.fits.clear();
            }
            _ => self.reading.fits.truncate(1),
        }
        self
    }

    fn untie(&mut self) {
        self.reading.tie = None;
        self.reading.image.mm_per_px = None;
        for station in &mut self.reading.stations {
            station.position_mm = None;
            station.kerf_mm = None;
        }
    }

    pub fn caution(mut self, code: CautionCode, message: &str) -> Self {
        self.reading.cautions.push(Caution::new(code, message));
        self
    }
}

/// Even noise in -1 … 1 that is the same on every run.
pub fn noise(index: u64, stream: u64) -> f64 {
    let mut x = index.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ stream.wrapping_mul(0xD1B5_4A32_D192_ED03);
    x = (x ^ (x >> 31)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x ^= x >> 29;
    (x % 2_000_001) as f64 / 1_000_000.0 - 1.0
}

/// One of every kind of picture that charts and overlays have to cope with, by name.
pub fn scenes() -> Vec<(&'static str, Sample)> {
    let landscape = Scene::landscape;
    vec![
        ("landscape", landscape().build()),
        (
            "vertical",
            Scene {
                size_px: [900, 3200],
                low_px: [430.0, 3060.0],
                high_px: [470.0, 160.0],
                heights: false,
                ..landscape()
            }
            .build(),
        ),
        (
            "tiny",
            Scene {
                size_px: [400, 300],
                low_px: [30.0, 240.0],
                high_px: [370.0, 60.0],
                kerf_mm: 1.4,
                pitch_mm: 4.0,
                rayleigh_mm: 30.0,
                head: false,
                ..landscape()
            }
            .build(),
        ),
        (
            "marks",
            Scene { size_px: [3000, 1400], low_px: [2850.0, 500.0], high_px: [160.0, 860.0], marks: 19, ..landscape() }
                .build(),
        ),
        ("near_an_end", Scene { waist_mm: 172.0, expanded_mm: 9.0, ..landscape() }.build()),
        (
            "huge",
            Scene { size_px: [14000, 1500], low_px: [600.0, 800.0], high_px: [13400.0, 700.0], ..landscape() }.build(),
        ),
        (
            "dwarf",
            Scene {
                size_px: [90, 60],
                low_px: [8.0, 40.0],
                high_px: [80.0, 20.0],
                kerf_mm: 4.0,
                pitch_mm: 6.0,
                rayleigh_mm: 60.0,
                ..landscape()
            }
            .build(),
        ),
        (
            "ribbon",
            Scene { size_px: [6000, 130], low_px: [100.0, 70.0], high_px: [5900.0, 60.0], ..landscape() }.build(),
        ),
        (
            "upright_with_marks",
            Scene {
                size_px: [1500, 2000],
                low_px: [700.0, -100.0],
                high_px: [900.0, 1900.0],
                marks: 31,
                expanded_mm: 12.0,
                ..landscape()
            }
            .build(),
        ),
        ("plain", Scene { heights: false, head: false, expanded_mm: 0.5, ..landscape() }.build()),
        (
            "refused",
            landscape().build().refused(
                RefusalCode::NotBracketed,
                "the line is finest at its high end, so the focus may lie beyond it",
                "raise the head or lower the ramp by 5 mm and burn another strip",
            ),
        ),
        (
            "no_ends",
            landscape().build().refused(
                RefusalCode::EndsNotFound,
                "the line fades out before its high end instead of stopping there",
                "burn another strip a little slower, or say where two points of the line are with points_px",
            ),
        ),
        (
            "no_line",
            landscape().build().refused(
                RefusalCode::NoLine,
                "no line stands out from the strip anywhere in the picture",
                "take the picture in even light with nothing else on the strip, or burn a darker line",
            ),
        ),
    ]
}
