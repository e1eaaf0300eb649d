//! What machine and lens say where the setup does not.

use super::book::same_name;
use super::entry::{Fitting, Lens, Machine};
use crate::setup::{Field, RawSetup, SetupError};

/// What holds for a lens in a machine: the lens on this machine, else the lens, else the machine.
pub fn fitting(machine: &Machine, lens: Option<&Lens>) -> Fitting {
    let on = lens.and_then(|lens| lens.on.iter().find(|on| same_name(&on.machine, &machine.name)));
    let said: Vec<&Fitting> = [on.map(|on| &on.fitting), lens.map(|lens| &lens.fitting), Some(&machine.fitting)]
        .into_iter()
        .flatten()
        .collect();
    let first = |of: fn(&Fitting) -> Option<f64>| said.iter().find_map(|fitting| of(fitting));
    Fitting {
        lens_to_nozzle_mm: first(|fitting| fitting.lens_to_nozzle_mm),
        tip_diameter_mm: first(|fitting| fitting.tip_diameter_mm),
        spacer_in_use_mm: first(|fitting| fitting.spacer_in_use_mm),
        gauged_from: said.iter().find_map(|fitting| fitting.gauged_from.clone()),
    }
}

/// Fills what a setup leaves open. The machine's ramp is taken only where nothing else says how steep it was.
///
/// # Errors
/// A kept value that its field cannot hold.
pub fn supply(raw: &mut RawSetup, machine: &Machine, lens: Option<&Lens>) -> Result<(), SetupError> {
    let Fitting { lens_to_nozzle_mm, tip_diameter_mm, spacer_in_use_mm, gauged_from } = fitting(machine, lens);
    let lengths = [
        (Field::LensToNozzle, lens_to_nozzle_mm),
        (Field::TipDiameter, tip_diameter_mm),
        (Field::SpacerInUse, spacer_in_use_mm),
        (Field::NominalFocalLength, lens.and_then(|lens| lens.nominal_focal_length_mm)),
    ];
    for (field, length_mm) in lengths {
        if let Some(length_mm) = length_mm {
            raw.set_default(field, &length_mm.to_string())?;
        }
    }
    if let Some(gauged_from) = gauged_from {
        raw.set_default(Field::GaugedFrom, &gauged_from)?;
    }
    if let Some(ramp) = &machine.ramp
        && !says_how_steep(raw)
    {
        raw.set_default(Field::Incline, &ramp.incline_deg.to_string())?;
        if let Some(u_deg) = ramp.incline_u_deg {
            raw.set_default(Field::InclineU, &u_deg.to_string())?;
        }
    }
    Ok(())
}

fn says_how_steep(raw: &RawSetup) -> bool {
    let any = |fields: &[Field]| fields.iter().any(|field| raw.is_given(*field));
    any(&[
        Field::LowHeight,
        Field::HighHeight,
        Field::Rise,
        Field::Incline,
        Field::InclineU,
        Field::Prop,
        Field::PropAt,
        Field::RampFile,
    ]) || (raw.is_given(Field::GapLow) && raw.is_given(Field::GapHigh))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::logbook::{LensOnMachine, NamedRamp};

    fn block(spacer_in_use_mm: Option<f64>, tip_diameter_mm: Option<f64>) -> Fitting {
        Fitting { spacer_in_use_mm, tip_diameter_mm, ..Fitting::default() }
    }

    #[test]
    fn the_nearer_word_wins() {
        let machine = Machine { name: "north".into(), fitting: block(Some(5.0), Some(8.0)), ..Machine::default() };
        let on = |machine: &str, fitting| LensOnMachine { machine: machine.into(), fitting };
        let lens = Lens {
            name: "2 inch".into(),
            fitting: block(Some(6.0), None),
            on: vec![on("North", block(Some(7.0), None)), on("south", block(Some(9.0), Some(9.0)))],
            ..Lens::default()
        };
        assert_eq!(fitting(&machine, Some(&lens)), block(Some(7.0), Some(8.0)));
        assert_eq!(fitting(&machine, None), block(Some(5.0), Some(8.0)));
        let south = Machine { name: "south".into(), ..Machine::default() };
        assert_eq!(fitting(&south, Some(&lens)), block(Some(9.0), Some(9.0)));
    }

    #[test]
    fn the_kept_ramp_stands_back_where_the_bench_says_how_steep() {
        let ramp = NamedRamp { name: "north ramp".into(), incline_deg: 5.7, incline_u_deg: Some(0.02) };
        let machine = Machine { name: "north".into(), ramp: Some(ramp), ..Machine::default() };
        let supplied = |text: &str| {
            let mut raw = RawSetup::from_toml(text, None).unwrap();
            supply(&mut raw, &machine, None).unwrap();
            raw.is_given(Field::Incline)
        };
        assert!(supplied("[ramp]\ntravel_mm = 150\n"));
        assert!(supplied("[ramp]\ntravel_mm = 150\n[head]\ngap_low_mm = 17\n"));
        assert!(!supplied("[ramp]\ntravel_mm = 150\nrise_mm = 15\n"));
        assert!(!supplied("[ramp]\ntravel_mm = 150\n[head]\ngap_low_mm = 17\ngap_high_mm = 2\n"));
    }
}
