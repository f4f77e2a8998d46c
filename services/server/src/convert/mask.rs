//! Update masks: which top-level fields of a resource an update changes.

use fitup_model::Fault;
use fitup_proto::v1;
use prost_types::FieldMask;

macro_rules! updates {
    ($(#[$doc:meta])* $merge:ident, $fields:ident, $message:ty,
     changes [$($field:ident),* $(,)?], ignores [$($ignored:ident),* $(,)?]) => {
        $(#[$doc])*
        ///
        /// Without a mask the fields that are set change, with `*` all do. What is output only stays as it is.
        ///
        /// # Errors
        /// A fault for each path that is no top-level field.
        pub fn $merge(
            stored: &mut $message,
            update: $message,
            mask: Option<&FieldMask>,
        ) -> Result<(), Vec<Fault>> {
            let mask = Mask::read(mask, &[$(stringify!($field)),*], &[$(stringify!($ignored)),*])?;
            let default = <$message>::default();
            $(
                if mask.covers(stringify!($field), update.$field != default.$field) {
                    stored.$field = update.$field;
                }
            )*
            Ok(())
        }

        #[cfg(test)]
        const $fields: &[&str] = &[$(stringify!($field),)* $(stringify!($ignored)),*];
    };
}

updates! {
    /// Changes the fields of `stored` that `mask` names to those of `update`.
    merge_shop, SHOP_FIELDS, v1::Shop,
    changes [
        display_name, time_zone, skills, calendars, holidays, bays, equipment, technicians, changeovers, settings,
    ],
    ignores [name, published_plan, revision, create_time, update_time, etag]
}

updates! {
    /// Changes the fields of `stored` that `mask` names to those of `update`.
    merge_order, ORDER_FIELDS, v1::Order,
    changes [
        vehicle, note, arrival_time, arrived, promise_time, late_weight, flow_weight, visits, operations, links, parts,
        approvals,
    ],
    ignores [name, state, create_time, update_time, etag]
}

enum Mask<'a> {
    Populated,
    All,
    Named(Vec<&'a str>),
}

impl<'a> Mask<'a> {
    fn read(mask: Option<&'a FieldMask>, changes: &[&str], ignores: &[&str]) -> Result<Mask<'a>, Vec<Fault>> {
        let Some(mask) = mask else { return Ok(Mask::Populated) };
        let paths: Vec<&str> = mask.paths.iter().map(String::as_str).collect();
        if paths == ["*"] {
            return Ok(Mask::All);
        }
        let known = |path: &str| changes.contains(&path) || ignores.contains(&path);
        let unknown = paths.iter().enumerate().filter(|(_, path)| !known(path));
        let faults: Vec<Fault> = unknown
            .map(|(index, path)| {
                let path: String = path.chars().take(80).collect();
                Fault {
                    path: format!("update_mask.paths[{index}]"),
                    message: format!("{path:?} is not a field; use \"*\" alone, or some of {}", changes.join(", ")),
                }
            })
            .collect();
        if faults.is_empty() { Ok(Mask::Named(paths)) } else { Err(faults) }
    }

    fn covers(&self, field: &str, is_set: bool) -> bool {
        match self {
            Mask::Populated => is_set,
            Mask::All => true,
            Mask::Named(paths) => paths.contains(&field),
        }
    }
}

#[cfg(test)]
mod tests {
    use prost::Message;

    use super::*;

    fn merged(paths: Option<&[&str]>) -> Result<(String, String, Option<i32>), Vec<Fault>> {
        let order = |vehicle: &str, note: &str, late_weight| v1::Order {
            vehicle: vehicle.into(),
            note: note.into(),
            late_weight,
            ..Default::default()
        };
        let mut stored = order("grey hatchback", "keys in box 4", Some(9));
        let mask = paths.map(|paths| FieldMask { paths: paths.iter().map(|path| (*path).to_owned()).collect() });
        merge_order(&mut stored, order("blue van", "", None), mask.as_ref())?;
        Ok((stored.vehicle, stored.note, stored.late_weight))
    }

    fn check(paths: Option<&[&str]>, vehicle: &str, note: &str, late_weight: Option<i32>) {
        assert_eq!(merged(paths), Ok((vehicle.into(), note.into(), late_weight)));
    }

    #[test]
    fn without_a_mask_what_is_set_changes() {
        check(None, "blue van", "keys in box 4", Some(9));
    }

    #[test]
    fn a_star_changes_everything() {
        check(Some(&["*"]), "blue van", "", None);
    }

    #[test]
    fn a_mask_changes_what_it_names() {
        check(Some(&[]), "grey hatchback", "keys in box 4", Some(9));
        check(Some(&["note"]), "grey hatchback", "", Some(9));
        check(Some(&["late_weight", "vehicle"]), "blue van", "keys in box 4", None);
    }

    #[test]
    fn output_only_fields_are_ignored() {
        check(Some(&["etag", "name", "state", "create_time"]), "grey hatchback", "keys in box 4", Some(9));
    }

    #[test]
    fn unknown_paths_are_refused_all_at_once() {
        let faults = merged(Some(&["vehicel", "note", "operations.work", "*"])).unwrap_err();
        let paths: Vec<&str> = faults.iter().map(|fault| fault.path.as_str()).collect();
        assert_eq!(paths, ["update_mask.paths[0]", "update_mask.paths[2]", "update_mask.paths[3]"]);
        assert!(faults[0].message.starts_with("\"vehicel\" is not a field"));
    }

    /// Goal: no field of the contract is forgotten. Method: the lists are compared with the descriptors.
    #[test]
    fn every_field_is_either_changed_or_ignored() {
        let files = prost_types::FileDescriptorSet::decode(v1::DESCRIPTORS).unwrap();
        let fields = |message: &str| {
            let messages = files.file.iter().flat_map(|file| &file.message_type);
            let found = messages.filter(|found| found.name() == message).flat_map(|found| &found.field);
            let mut names: Vec<String> = found.map(|field| field.name().to_owned()).collect();
            names.sort();
            names
        };
        for (message, listed) in [("Shop", SHOP_FIELDS), ("Order", ORDER_FIELDS)] {
            let mut listed = listed.to_vec();
            listed.sort_unstable();
            assert_eq!(fields(message), listed);
        }
    }
}
