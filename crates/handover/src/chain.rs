//! Noise figure, intercepts, compression and level through a row of stages.
//!
//! Input: stages with gain, noise figure and intercepts at matched interfaces. Output: the same numbers for the row up to
//! each stage.
//! Formulas: noise factor `F = F₁ + (F₂ − 1)/G₁ + …` (H. T. Friis, Proc. IRE 32 (1944) 419); third-order products add as
//! voltages in phase, the worst case: `1/P = Σ G/P_k` with input intercepts; second-order ones `1/√P = Σ √(G/P_k)`;
//! compression by the same rule as third-order products (common practice, no source).
//! A converter counts with its noise figure at the source it sees: a filter that removes the image leaves the
//! single-sideband figure `F`, an image that passes adds its noise through the same gain.
//! Not here: mismatch between stages; surround the model with its real neighbours for that.

use crate::HandoverError;

/// What a stage is, for the image.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum StageKind {
    /// Input and output at one frequency.
    #[default]
    Linear,
    /// Rejects the image of the next converter by its own attenuation there.
    ImageFilter,
    /// Changes the frequency.
    Converter,
}

/// One stage.
#[derive(Debug, Clone, PartialEq)]
pub struct Stage {
    /// Name.
    pub name: String,
    /// What it is.
    pub kind: StageKind,
    /// Available gain, dB; negative for loss.
    pub gain_db: f64,
    /// Noise figure, dB; a lossy matched part at 290 K has its loss.
    pub noise_db: f64,
    /// Input third-order intercept, dBm; none when it never matters.
    pub ip3_dbm: Option<f64>,
    /// Input second-order intercept, dBm.
    pub ip2_dbm: Option<f64>,
    /// Input 1 dB compression, dBm.
    pub p1db_dbm: Option<f64>,
    /// Gain at the image of the next converter, dB; none when it is that of the wanted signal.
    pub image_gain_db: Option<f64>,
}

impl Stage {
    /// A matched lossy part at 290 K.
    pub fn pad(name: &str, loss_db: f64) -> Self {
        Self {
            name: name.into(),
            kind: StageKind::Linear,
            gain_db: -loss_db,
            noise_db: loss_db,
            ip3_dbm: None,
            ip2_dbm: None,
            p1db_dbm: None,
            image_gain_db: None,
        }
    }
}

/// Numbers of the row from its input to the end of one stage.
#[derive(Debug, Clone, PartialEq)]
pub struct Cumulative {
    /// Name of the last stage counted.
    pub name: String,
    /// Gain, dB.
    pub gain_db: f64,
    /// Noise figure, dB.
    pub noise_db: f64,
    /// Input third-order intercept, dBm.
    pub ip3_dbm: Option<f64>,
    /// Input second-order intercept, dBm.
    pub ip2_dbm: Option<f64>,
    /// Input compression, dBm.
    pub p1db_dbm: Option<f64>,
    /// Level behind the stage for the level at the input, dBm, compression left out.
    pub level_dbm: f64,
    /// Distance of the level in front of the stage to its own compression, dB; none when it has none.
    pub headroom_db: Option<f64>,
}

fn power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

fn db(power: f64) -> f64 {
    10.0 * power.log10()
}

/// The row, stage by stage, for an input level in dBm.
///
/// # Errors
/// No stage, numbers that are not finite, a noise figure below 0 dB.
pub fn cascade(stages: &[Stage], input_dbm: f64) -> Result<Vec<Cumulative>, HandoverError> {
    check(stages, input_dbm)?;
    let (mut gain, mut image_gain) = (1.0, 1.0);
    // noise at the output of the row so far from wanted and image source together, over kT0·gain
    let (mut noise, mut image_noise) = (1.0, 1.0);
    let (mut third, mut second, mut compression) = (0.0, 0.0, 0.0);
    let mut out = Vec::with_capacity(stages.len());
    for stage in stages {
        let before_dbm = input_dbm + db(gain);
        let own = power(stage.gain_db);
        let own_image = stage.image_gain_db.map_or(own, power);
        third += stage.ip3_dbm.map_or(0.0, |p| gain / power(p));
        second += stage.ip2_dbm.map_or(0.0, |p| (gain / power(p)).sqrt());
        compression += stage.p1db_dbm.map_or(0.0, |p| gain / power(p));
        let added = power(stage.noise_db) - 1.0;
        if stage.kind == StageKind::Converter {
            // the single-sideband figure counts kT0 at the image; what arrives there instead counts as it is
            noise += (added - own_image / own) / gain + image_noise * image_gain * own_image / (own * gain);
        } else {
            noise += added / gain;
            // a lossy part at 290 K sends out what it swallows; an amplifier is as noisy at the image as beside it
            let loss_noise =
                if stage.image_gain_db.is_some() && own_image < 1.0 { 1.0 / own_image - 1.0 } else { added };
            image_noise += loss_noise / image_gain;
        }
        gain *= own;
        image_gain *= own_image;
        if stage.kind == StageKind::Converter {
            (image_gain, image_noise) = (gain, noise);
        }
        let positive = |x: f64| (x > 0.0).then_some(x);
        out.push(Cumulative {
            name: stage.name.clone(),
            gain_db: db(gain),
            noise_db: db(noise),
            ip3_dbm: positive(third).map(|x| -db(x)),
            ip2_dbm: positive(second).map(|x| -2.0 * db(x)),
            p1db_dbm: positive(compression).map(|x| -db(x)),
            level_dbm: input_dbm + db(gain),
            headroom_db: stage.p1db_dbm.map(|p| p - before_dbm),
        });
    }
    Ok(out)
}

fn check(stages: &[Stage], input_dbm: f64) -> Result<(), HandoverError> {
    let place = "the chain";
    if stages.is_empty() || !input_dbm.is_finite() {
        return Err(HandoverError::mismatch(
            "at least one stage and a finite level",
            format!("{} stages", stages.len()),
            place,
        ));
    }
    for s in stages {
        let all = [Some(s.gain_db), Some(s.noise_db), s.ip3_dbm, s.ip2_dbm, s.p1db_dbm, s.image_gain_db];
        if all.into_iter().flatten().any(|x| !x.is_finite()) {
            return Err(HandoverError::mismatch("finite numbers", format!("stage `{}`", s.name), place));
        }
        if s.noise_db < 0.0 {
            let found = format!("{} dB at stage `{}`", s.noise_db, s.name);
            return Err(HandoverError::mismatch("a noise figure of 0 dB or more", found, place));
        }
    }
    Ok(())
}
