//! The bench's flags.

use std::path::PathBuf;

use narrows::synth::draw::Stratum;
use narrows::synth::traps::Trap;

use crate::trial::Case;

/// What to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Task {
    /// Read strips and one trap of every kind.
    Strips,
    /// Read traps alone.
    Traps,
    /// Write one picture with its setup into a folder.
    Dump {
        /// The folder.
        folder: PathBuf,
        /// Its seed.
        seed: u64,
    },
    /// Scatter against the Cramér–Rao bound alone.
    Bound,
}

/// The flags, lowered.
#[derive(Debug, Clone)]
pub struct Options {
    pub task: Task,
    pub seed: u64,
    pub count: usize,
    pub stratum: Option<Stratum>,
    pub trap: Option<Trap>,
    pub list_worst: usize,
    pub csv: Option<PathBuf>,
}

/// Strips of a short run and of a full one.
const SHORT: usize = 200;
const FULL: usize = 1000;

impl Options {
    pub fn from_arguments(arguments: impl Iterator<Item = String>) -> Result<Self, String> {
        let mut options =
            Self { task: Task::Strips, seed: 0, count: SHORT, stratum: None, trap: None, list_worst: 0, csv: None };
        let mut arguments = arguments;
        while let Some(flag) = arguments.next() {
            let mut value = || arguments.next().ok_or_else(|| format!("{flag} needs a value"));
            let number = |text: String| text.parse::<u64>().map_err(|_| format!("{text} is not a whole number"));
            match flag.as_str() {
                // cargo adds this one
                "--bench" => {}
                "--full" => options.count = FULL,
                "--seed" => options.seed = number(value()?)?,
                "--count" => options.count = number(value()?)? as usize,
                "--list-worst" => options.list_worst = number(value()?)? as usize,
                "--csv" => options.csv = Some(value()?.into()),
                "--traps" => options.task = Task::Traps,
                "--bound" => options.task = Task::Bound,
                "--dump" => {
                    let folder = value()?.into();
                    options.task = Task::Dump { folder, seed: number(value()?)? };
                }
                "--stratum" => {
                    let name = value()?;
                    let found = Stratum::all().into_iter().find(|stratum| stratum.name() == name);
                    options.stratum = Some(found.ok_or_else(|| format!("there is no stratum {name}"))?);
                }
                "--trap" => {
                    let name = value()?;
                    let found = Trap::ALL.into_iter().find(|trap| format!("{trap:?}") == name);
                    options.trap = Some(found.ok_or_else(|| format!("there is no trap {name}"))?);
                }
                _ => return Err(format!("unknown flag {flag}")),
            }
        }
        Ok(options)
    }

    /// The seeds of a run. A strip's stratum follows from its seed, so that a seed alone names it.
    pub fn seeds(&self) -> impl Iterator<Item = u64> {
        let stratum = self.stratum;
        (self.seed..).filter(move |&seed| stratum.is_none_or(|stratum| stratum_of(seed) == stratum)).take(self.count)
    }

    /// The case that a seed names.
    pub fn case(&self, seed: u64) -> Case {
        match self.trap {
            Some(trap) => Case::Trap(trap, seed),
            None => Case::Strip(stratum_of(seed), seed),
        }
    }
}

fn stratum_of(seed: u64) -> Stratum {
    let all = Stratum::all();
    all[(seed % all.len() as u64) as usize]
}
