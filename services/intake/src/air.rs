//! Moisture of air: whether a surface is dry enough to be painted.

/// A surface is painted at least so many degrees above the dew point.
///
/// The rule commonly quoted with ISO 8502-4:2017 and ISO 12944-7.
pub const ABOVE_DEW_POINT: f64 = 3.0;
/// And at less relative humidity than this, in percent; the same rule.
pub const WETTEST: i32 = 85;

/// Returns the dew point of air at `temperature` degrees Celsius and `humidity` percent, in degrees Celsius.
///
/// `Td = 243.12 γ / (17.62 - γ)` with `γ = ln(RH/100) + 17.62 t / (243.12 + t)`: the formula over water of WMO-No. 8,
/// annex 4.B.
pub fn dew_point(temperature: f64, humidity: f64) -> f64 {
    let gamma = (humidity / 100.0).ln() + 17.62 * temperature / (243.12 + temperature);
    243.12 * gamma / (17.62 - gamma)
}

/// Says why a surface is too wet to be painted, if it is.
pub fn too_wet(air_celsius: i32, humidity_percent: i32, surface_celsius: i32) -> Option<String> {
    let dew = dew_point(f64::from(air_celsius), f64::from(humidity_percent));
    if humidity_percent >= WETTEST {
        return Some(format!("{humidity_percent} % humidity; paint wants less than {WETTEST} %"));
    }
    (f64::from(surface_celsius) < dew + ABOVE_DEW_POINT).then(|| {
        format!("the surface at {surface_celsius} °C is less than 3 degrees above the dew point of {dew:.1} °C")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of the formula of WMO-No. 8, annex 4.B, to three places.
    #[test]
    fn dew_points_are_those_of_the_formula() {
        for (temperature, humidity, expected) in [(20.0, 50.0, 9.255), (25.0, 60.0, 16.693), (10.0, 80.0, 6.706)] {
            let found = dew_point(temperature, humidity);
            assert!((found - expected).abs() < 0.0006, "{temperature} {humidity}: {found}");
        }
        assert!((dew_point(18.0, 100.0) - 18.0).abs() < 1e-9, "saturated air is at its dew point");
    }

    #[test]
    fn wet_surfaces_are_not_painted() {
        assert_eq!(too_wet(20, 50, 13), None);
        assert!(too_wet(20, 50, 12).is_some_and(|why| why.contains("dew point of 9.3")));
        assert!(too_wet(20, 85, 30).is_some_and(|why| why.starts_with("85 %")));
        assert_eq!(too_wet(20, 84, 21), None);
    }
}
