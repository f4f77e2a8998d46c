//! The contract of `Store`: one suite, run on each real database, a fresh one a test.

mod any;
mod audit;
mod cluster;
mod database;
mod facts;
mod floor;
mod holds;
mod level;
mod notices;
mod opening;
mod opening_postgres;
mod orders;
mod plans;
mod races;
mod requests;
mod restart;
mod round_trips;
mod runs;
mod schema;
mod shops;
mod take_ins;
mod tokens;

/// Makes every test of the contract a test of one database.
macro_rules! run {
    ($database:ty: $($module:ident { $($test:ident),* $(,)? })*) => {
        $(mod $module {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $test() {
                if <$database as crate::database::Database>::is_here() {
                    crate::$module::$test::<$database>().await;
                }
            })*
        })*
    };
}

/// The whole contract.
macro_rules! contract {
    ($database:ty) => {
        run! { $database:
            round_trips { shops, orders, plans }
            take_ins { rule_books, come_back_as_they_were, every_error, the_book_of_then_stays }
            shops {
                every_error,
                a_change_counts,
                an_edit_sees_open_orders,
                lists_page_by_id,
                a_deleted_shop_takes_all_with_it,
            }
            orders { every_error, a_change_counts, lists_by_state_and_page, a_snapshot_holds_open_orders }
            plans { every_error, publishing_supersedes, a_stale_plan_is_not_published, lists_newest_first }
            floor { an_event_changes_facts_and_is_kept, plans_come_together_and_come_back }
            holds {
                keeps_a_place,
                is_accepted,
                makes_room_again,
                tells_what_was_said,
                keeps_its_lines,
                is_changed,
                is_not_changed_by_halves,
                every_error,
                one_of_two_accepts,
            }
            runs {
                a_run_succeeds,
                ends_without_a_plan,
                the_oldest_is_claimed_first,
                a_lost_lease_changes_nothing,
                expired_leases_are_requeued,
                cancelling,
                every_error,
            }
            notices { every_change_of_a_run_is_told }
            requests {
                a_repeat_gets_the_first_answer,
                a_used_id_is_refused,
                old_ones_are_forgotten,
                a_failure_is_not_kept,
                a_repeat_waits_for_the_first,
            }
            audit {
                tells_who_changed_what,
                tells_the_last_first,
                is_append_only,
                a_failed_change_leaves_no_trace,
            }
            tokens { are_found_by_their_digest, are_seen_within_a_scope, are_fixed, changes_are_told }
            races {
                runs_are_claimed_once,
                writers_make_a_strict_sequence,
                one_of_two_editors_wins,
                one_plan_is_published,
                reads_while_writing,
            }
            schema { nonsense_is_refused, plans_are_fixed, names_of_constraints_are_told }
        }
    };
}

mod sqlite {
    contract!(crate::database::Sqlite);
}

mod postgres {
    contract!(crate::database::Postgres);
}
