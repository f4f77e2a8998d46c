//! Who is on a planned operation: one technician for each place, distinct, and with the skill of the place.

use super::{Inspection, Rule};

pub(super) fn check(inspection: &mut Inspection) {
    let problem = inspection.problem;
    for (id, assignment) in inspection.planned() {
        let (name, crew) = (inspection.operation(id), &problem.operations[id].crew);
        if assignment.technicians.len() != crew.len() {
            let (there, asked) = (assignment.technicians.len(), crew.len());
            inspection.report(Rule::CrewSize, format!("{name} has {there} technicians for a crew of {asked}"));
        }
        let people = inspection.people(assignment);
        for (index, &person) in people.iter().enumerate() {
            // The second time is reported, not the third.
            if people[..index].iter().filter(|&&other| other == person).count() == 1 {
                let message = format!("{name} has {} twice in its crew", inspection.technician(person));
                inspection.report(Rule::DistinctPeople, message);
            }
        }
        for (&person, &skill) in assignment.technicians.iter().zip(crew) {
            let Some(technician) = problem.technicians.get(person) else { continue };
            if technician.skills.iter().all(|(own, _)| *own != skill) {
                let (person, skill) = (inspection.technician(person), &problem.skills[skill]);
                inspection.report(Rule::MissingSkill, format!("{name} needs \"{skill}\", which {person} lacks"));
            }
        }
    }
}
