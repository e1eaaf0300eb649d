//! A shop's folder with the program, a setup and a picture; and readings made up for tests of the file alone.

use std::fs;
use std::path::PathBuf;
use std::process::{Command, Output};

use narrows::estimate::Estimate;
use narrows::logbook::{Details, Entry, FocusFacts, Logbook, Machine, Picture, StationFacts, When};
use serde_json::Value;
use tempfile::TempDir;

use super::drawn;

pub struct Shop {
    folder: TempDir,
}

pub struct Ran {
    pub status: i32,
    pub stdout: String,
    pub stderr: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        Self {
            status: output.status.code().unwrap_or(-1),
            stdout: String::from_utf8(output.stdout).unwrap(),
            stderr: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

impl Ran {
    #[track_caller]
    pub fn ok(self) -> String {
        assert_eq!(self.status, 0, "{}{}", self.stdout, self.stderr);
        self.stdout
    }

    #[track_caller]
    pub fn json(self) -> Vec<Value> {
        self.ok().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    /// Both lines of an error, checked for their form.
    #[track_caller]
    pub fn fails(self, status: i32) -> String {
        assert_eq!(self.status, status, "{}{}", self.stdout, self.stderr);
        let lines: Vec<&str> = self.stderr.lines().collect();
        assert!(
            lines.len() == 2 && lines[0].starts_with("error: ") && lines[1].starts_with("hint: "),
            "{}",
            self.stderr
        );
        self.stderr
    }
}

impl Shop {
    /// A folder with a setup, a picture with a focus and one without; no logbook yet.
    pub fn empty() -> Self {
        let shop = Self { folder: tempfile::tempdir().unwrap() };
        let travel = (drawn::SPAN_MM * drawn::SPAN_MM - 64.0).sqrt();
        let setup = format!(
            "[ramp]\ntravel_mm = {travel}\nrise_mm = 8\n[head]\ngap_low_mm = 12\n[burn]\nmaterial = \"ply\"\nrun_along = \"x\"\n\
             [picture]\nlow_end = \"left\"\n"
        );
        fs::write(shop.path("setup.toml"), setup).unwrap();
        drawn::write_png(&shop.path("strip.png"));
        image::GrayImage::from_pixel(400, 300, image::Luma([200])).save(shop.path("blank.png")).unwrap();
        shop
    }

    /// The same with a machine and a lens in its logbook.
    pub fn new() -> Self {
        let shop = Self::empty();
        shop.log(&["lens", "two inch", "--nominal-focal-length-mm", "50.8"]).ok();
        shop.log(&["machine", "north", "--lens", "two inch", "--spacer-in-use-mm", "9", "--zone", "Europe/Lisbon"])
            .ok();
        shop
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_narrows"));
        command.current_dir(self.folder.path()).args(args).env("XDG_DATA_HOME", self.folder.path().join("data"));
        command
    }

    pub fn run(&self, args: &[&str]) -> Ran {
        Ran::from(self.command(args).output().unwrap())
    }

    pub fn log(&self, args: &[&str]) -> Ran {
        self.run(&[&["log", "--logbook", "book.db"], args].concat())
    }

    /// `read` with the folder's setup and logbook.
    pub fn read(&self, args: &[&str]) -> Ran {
        self.run(&[&["read", "--setup", "setup.toml", "--logbook", "book.db", "--machine", "north"], args].concat())
    }

    pub fn book(&self) -> Logbook {
        Logbook::open(&self.path("book.db")).unwrap()
    }
}

/// A logbook with the machine "north" at a path.
pub fn made_up_book(path: &std::path::Path) -> Logbook {
    let mut book = Logbook::open_or_create(path).unwrap();
    book.say_machine(&Machine { name: "north".into(), ..Machine::default() }, jiff::Timestamp::UNIX_EPOCH).unwrap();
    book
}

/// A reading with as many bytes as a real one has; the number tells it from others.
pub fn made_up(number: u32) -> (Entry, Details) {
    let spacer = Estimate::new(7.0 + f64::from(number % 97) / 100.0, 0.1);
    let entry = Entry {
        when: When::from(jiff::Timestamp::from_second(1_700_000_000 + 3600 * i64::from(number)).unwrap()),
        machine: "north".into(),
        picture: Picture {
            name: format!("{number}.jpg"),
            sha256: Some(format!("{number:064x}")),
            orientation: 1,
            ..Picture::default()
        },
        focus: FocusFacts { spacer_mm: Some(spacer), position_mm: Some(spacer), ..FocusFacts::default() },
        version: "0.1.0".into(),
        ..Entry::default()
    };
    let station = |place: u32| StationFacts {
        position_mm: Some(f64::from(place) / 2.0),
        kerf_mm: Some(0.2),
        along_px: f64::from(place) * 12.0,
        kerf_px: 4.0,
        kerf_u_px: 0.05,
        contrast: 0.6,
        used: true,
    };
    let details = Details {
        setup: "[ramp]\ntravel_mm = 150\nrise_mm = 15\n[picture]\nlow_end = \"left\"\n".into(),
        stations: (0..300).map(station).collect(),
        overlay_jpeg: Some((0..30_000_u32).map(|byte| (byte.wrapping_mul(number + 7) >> 3) as u8).collect()),
        ..Details::default()
    };
    (entry, details)
}
