"""How the suite is divided: what runs at every save of a file, and what never runs side by side.

A line is a folder, a file or a test, as pytest writes it; all tests whose ID begins so are meant.
"""

# ``pytest -m quick``: the rooms that only compute, and a little of every other.
QUICK = """
tests/bench/truth
tests/demo_warehouse/test_climate.py::test_reference_et_is_that_of_the_handbook
tests/faults/test_files.py::test_what_the_disk_refuses_is_told_in_sentences
tests/flows/base
tests/flows/books/fieldbook/test_book.py::test_a_good_book_has_no_faults_and_loses_nothing
tests/flows/books/images/test_inside.py::test_a_narrow_strip_is_named
tests/flows/books/test_yield_map.py
tests/flows/cli/test_cli.py::test_a_new_farm_runs_as_it_stands
tests/flows/derive/test_derive.py::test_one_row_for_each_instrument_day
tests/flows/farm
tests/flows/intake/door
tests/flows/intake/readers
tests/flows/intake/sources/test_drop.py
tests/flows/intake/test_collect.py::test_readings_land_in_si_at_the_end_of_their_interval
tests/flows/network/test_snapshot.py::test_a_table_is_that_of_all_farms
tests/flows/pages/test_digest.py::test_a_quiet_winter_week_is_five_lines
tests/flows/run/service/test_service.py::test_names_are_plain_and_each_folder_has_its_own
tests/flows/run/test_five_minutes.py
tests/flows/setup/add/test_add.py::test_without_a_terminal_and_without_yes_it_asks_for_yes
tests/flows/setup/inspection/test_checks.py::test_a_set_up_that_is_fine_needs_nothing
tests/flows/setup/plan/test_evidence.py::test_without_data_the_published_trials_are_named
tests/flows/setup/sniff/test_sniff.py::test_headings
tests/flows/setup/test_try_out.py::test_tells_of_a_file_that_no_source_takes
tests/flows/share/test_pointer.py::test_the_same_again_is_no_news
tests/flows/store/test_wide_rows.py
tests/flows/trust/audit/test_audit.py::test_the_page_escapes_everything
tests/flows/trust/backup/test_restore.py::test_an_earlier_one_by_name
tests/flows/trust/explain/test_file_lines.py::test_without_the_archive_it_tells_the_rest
tests/flows/trust/test_status.py::test_a_rare_schedule_may_be_quiet_for_long
tests/schemas
tests/security/test_formulas.py
tests/test_suite.py
tests/transforms
"""
# Of those, the ones that take more than a second (``--durations=50`` on a computer at rest).
SLOW = """
tests/bench/truth/test_richards.py::test_a_season_of_rain_on_clay
tests/flows/base/test_lock.py
tests/flows/base/test_plain_text.py::test_whatever_is_shown_can_be_printed_anywhere
tests/flows/books/test_yield_map.py::test_no_content_raises
tests/flows/intake/readers/test_by_format.py
tests/flows/intake/readers/test_sections.py
tests/flows/intake/sources/test_drop.py::test_one_that_grows_and_grows_without_ending_a_line
tests/security/test_formulas.py::test_what_a_file_brought_in_leaves_harmless
tests/transforms/soil/test_capture_season.py::test_the_interval_is_that_of_a_paired_t_test
tests/transforms/soil/test_rain_event.py::test_events_lie_apart_and_hold_all_the_rain
tests/transforms/soil/test_soil_day.py::test_order_does_not_matter_and_a_day_stands_alone
tests/transforms/soil/test_water_use_season.py::test_bounds_and_signs_hold_whatever_the_weather
tests/transforms/soil/test_water_use_season.py::test_noise_does_not_move_the_water_use
tests/transforms/soil/test_water_use_simulated.py
tests/transforms/test_memory.py
tests/transforms/trial/test_response.py::test_site_years_without_effect_seldom_claim_one_and_six_percent_is_found
tests/transforms/trial/test_response.py::test_swapped_strips_turn_the_sign
tests/transforms/trial/test_response_driver.py::test_without_any_driver_nothing_is_claimed
tests/transforms/weather/test_evapotranspiration_day.py::test_any_day_gives_a_plausible_number
tests/transforms/weather/test_evapotranspiration_day.py::test_measured_days_agree_with_the_library
tests/transforms/weather/test_heat_day.py::test_sums_are_the_sums_of_the_days_there_in_any_order
tests/transforms/weather/test_normal_month.py::test_any_lost_days_and_any_order
tests/transforms/weather/test_normal_month.py::test_missing_months_against_xclim
tests/transforms/weather/test_rain_day.py::test_every_day_is_accounted_for_once
tests/transforms/weather/test_rain_month.py::test_months_are_the_sums_of_their_days_in_any_order
tests/transforms/weather/test_rain_spell.py::test_the_spells_of_a_day_add_up
tests/transforms/weather/test_weather_day.py::test_coverage_and_extremes_keep_their_bounds
tests/transforms/weather/test_weather_day.py::test_order_does_not_matter_and_a_day_stands_alone
"""
# With a worker a core a file goes to one of them, which makes its fixtures once. These rooms go
# whole, since their files share a farm that takes seconds to make;
WHOLE = """
tests/demo_warehouse
tests/flows/pages
tests/flows/trust/backup
"""
# these files test by test, since each is long and shares nothing;
APART = """
tests/faults/test_short.py
tests/flows/derive/test_derive.py
tests/flows/store/test_publish.py
"""
# and these one after the other, since they wait for a server, a scheduler or a folder that hangs.
WAITING = """
tests/faults/test_hanging.py
tests/flows/run/service/test_systemd_manager.py
tests/flows/run/test_scheduler.py
tests/flows/run/test_serve.py
tests/flows/network/test_computers.py
tests/flows/network/test_rounds.py
tests/flows/network/test_scheduled.py
"""


def within(test: str, lines: str) -> bool:
    """Return whether a test, by its pytest ID, is meant by one of the lines."""
    return test.startswith(tuple(lines.split()))


def is_quick(test: str) -> bool:
    """Return whether a test runs at every save of a file."""
    return within(test, QUICK) and not within(test, SLOW)


def piece(test: str) -> str:
    """Return the name of the piece of work that a test belongs to; a piece stays with one worker."""
    if within(test, WAITING):
        return "waiting"
    if within(test, APART):
        return test
    return next((room for room in WHOLE.split() if within(test, room)), test.partition("::")[0])
