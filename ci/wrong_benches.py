"""For each suite test a bench that is wrong in the one way it looks for: the rows of `sensitivity.py`."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simulator.module.at_quirks import AtQuirks

WIRINGS = Path(__file__).parent.parent / "simulator" / "wirings"


@dataclass(frozen=True, kw_only=True)
class Row:
    """One test, the bench it runs on, and what is wrong with that bench."""

    suite: str
    test: str
    wrong: str
    change: dict[str, Any]
    bench: str = "gauge-station"
    parts: dict[str, dict[str, Any]] = field(default_factory=dict)  # put on the carrier by hand


def exactly(value: float) -> dict[str, float]:
    """A spread that never varies."""
    return {"typ": value, "min": value, "max": value}


def unit(**changes: Any) -> dict[str, Any]:  # noqa: ANN401 # any section of a profile
    """A unit that differs from its profile."""
    return {"module": {"unit": changes}}


def key(test: str, wrong: str, bench: str = "gauge-station", **changes: Any) -> Row:  # noqa: ANN401 # as above
    """A row of the suite power_key."""
    return Row(suite="power_key", test=test, wrong=wrong, change=unit(**changes), bench=bench)


def radio(test: str, wrong: str, **changes: Any) -> Row:  # noqa: ANN401 # as above
    """A row of the suite radio_disable."""
    return Row(suite="radio_disable", test=test, wrong=wrong, change=unit(**changes))


def supply(
    test: str,
    wrong: str,
    change: dict[str, Any] | None = None,
    parts: dict[str, dict[str, Any]] | None = None,
) -> Row:
    """A row of the suite supply."""
    return Row(suite="supply", test=test, wrong=wrong, change=change or {}, parts=parts or {})


def wiring(
    test: str,
    wrong: str,
    change: dict[str, Any] | None = None,
    parts: dict[str, dict[str, Any]] | None = None,
) -> Row:
    """A row of the suite wiring."""
    return Row(suite="wiring", test=test, wrong=wrong, change=change or {}, parts=parts or {})


def usb(test: str, wrong: str, change: dict[str, Any]) -> Row:
    """A row of the suite usb."""
    return Row(suite="usb", test=test, wrong=wrong, change=change)


def uart(test: str, wrong: str, change: dict[str, Any], bench: str = "gauge-station") -> Row:
    """A row of the suite uart."""
    return Row(suite="uart", test=test, wrong=wrong, change=change, bench=bench)


def at(suite: str, test: str, wrong: str, **changes: Any) -> Row:  # noqa: ANN401 # as above
    """A row of a suite about the AT interface; *changes* are keys of `[at]`, or quirks of it."""
    quirks = {name: value for name, value in changes.items() if name in AtQuirks.model_fields}
    keys = {name: value for name, value in changes.items() if name not in quirks}
    return Row(suite=suite, test=test, wrong=wrong, change=unit(at=keys | {"quirks": quirks}))


def searches_once(test: str) -> Row:
    """A row of the suite registration: the unit looks for no network again after it has lost one."""
    return Row(
        suite="registration",
        test=test,
        wrong="looks for a network once only",
        change=unit(quirks={"searches_once": True}),
    )


def message(test: str, wrong: str, change: dict[str, Any]) -> Row:
    """A row of the suite messages."""
    return Row(suite="messages", test=test, wrong=wrong, change=change)


def centre(**changes: Any) -> dict[str, Any]:  # noqa: ANN401 # as above
    """A service centre with manners of its own."""
    return {"service_centre": changes}


def ways(**quirks: Any) -> dict[str, Any]:  # noqa: ANN401 # as above
    """A unit that has ways of its own with messages."""
    return unit(messages={"quirks": quirks})


# Parts of the shipped carrier, to be put on it again with another value.
_PARTS = tomllib.loads((WIRINGS / "weir-carrier.toml").read_text(encoding="utf-8"))["parts"]
BULK, CABLE, REGULATOR = _PARTS["BULK"], _PARTS["CABLE"], _PARTS["REGULATOR"]

ROWS = (
    key(
        "test_the_guaranteed_press_starts_the_module",
        "starts from 0.75 s on only",
        key={"start_s": exactly(0.75)},
    ),
    key(
        "test_the_longest_good_press_starts_the_module_once",
        "starts from 3.6 s on only",
        key={"start_s": exactly(3.6), "start_longest_s": 5.0},
    ),
    key("test_a_short_press_is_ignored", "starts from 0.3 s on", key={"start_s": exactly(0.3)}),
    key(
        "test_the_start_threshold_is_within_the_profile",
        "starts at 0.66 s: below what is guaranteed, above its limits",
        key={"start_s": exactly(0.66)},
    ),
    key(
        "test_the_start_press_on_a_running_module_does_what_the_profile_says",
        "does not toggle",
        key={"stop_s": exactly(1.5)},
    ),
    key(
        "test_the_guaranteed_stop_press_stops_the_module_with_a_farewell",
        "says something else at the end",
        farewell_line="GOODBYE",
    ),
    key(
        "test_the_module_is_off_within_the_profile_after_a_stop",
        "takes 8.2 s to stop",
        delays={"stop_s": exactly(8.2)},
    ),
    key(
        "test_a_press_that_is_too_short_does_not_stop_the_module",
        "stops from 0.2 s on",
        key={"stop_s": exactly(0.2)},
    ),
    key(
        "test_a_press_in_the_first_seconds_of_booting_is_ignored_whole",
        "listens to the key soon after the start",
        key={"dead_in_boot_s": 0.2},
    ),
    key(
        "test_a_stop_press_late_in_booting_stops_the_module",
        "is deaf for 8 s of booting",
        key={"dead_in_boot_s": 8.0},
    ),
    key(
        "test_a_press_soon_after_off_is_ignored_whole",
        "listens to the key at once after off",
        key={"dead_after_off_s": 0.0},
    ),
    key(
        "test_a_very_long_press_resets_where_the_profile_has_a_reset",
        "resets after 12 s only",
        key={"reset_s": exactly(12.0)},
    ),
    key(
        "test_one_very_long_press_from_off_starts_and_does_not_reset",
        "resets by a press begun while off",
        key={"reset_s": exactly(15.0)},
        quirks={"reset_begun_off": True},
    ),
    key(
        "test_boot_takes_as_long_as_the_profile_says",
        "shows its ports 12 s after the start",
        delays={"usb_appears_s": exactly(12.0)},
    ),
    key(
        "test_the_module_starts_with_the_supply_only_where_the_profile_says_so",
        "starts with the supply",
        supply={"auto_start_s": 1.0},
    ),
    key(
        "test_losing_the_supply_takes_the_ports_away_without_farewell",
        "lives on without supply",
        supply={"lockout_v": 0.0},
    ),
    key(
        "test_the_status_output_follows_the_module",
        "tells its status upside down",
        bench="upper-station",
        pins={"status": {"active": "low"}},
    ),
    radio("test_the_pin_silences_the_radios_in_time", "takes 1.8 s", delays={"radio_off_s": exactly(1.8)}),
    radio(
        "test_releasing_the_pin_brings_the_registration_back",
        "is not silenced for 40 s",
        delays={"radio_off_s": exactly(40.0)},
    ),
    Row(
        suite="radio_disable",
        test="test_a_pin_that_is_let_go_leaves_the_radios_on",
        wrong="the carrier pulls the header pin up",
        change={},
        parts={"MISPLACED_PULL": {"kind": "pull", "net": "RADIO_HEADER", "to": "HOST_3V3", "ohm": 10e3}},
    ),
    radio(
        "test_a_command_cannot_undo_the_pin",
        "lets a command win over the pin",
        quirks={"command_beats_radio_pin": True},
    ),
    radio(
        "test_the_command_silences_and_brings_back",
        "takes longer than three minutes for +CFUN",
        delays={"functionality_s": exactly(200.0)},
    ),
    radio(
        "test_a_command_to_stay_silent_outlives_the_pin",
        "turns the radios on when the pin is released",
        quirks={"radio_pin_release_turns_on": True},
    ),
    radio(
        "test_a_module_that_boots_with_the_pin_asserted_stays_silent",
        "has the other polarity",
        pins={"radio_disable": {"active": "high"}},
    ),
    radio(
        "test_a_silent_module_still_answers_and_reports_no_level",
        "is not silenced for half a minute",
        delays={"radio_off_s": exactly(30.0)},
    ),
    radio(
        "test_loss_and_return_are_reported_unasked",
        "is not silenced for half a minute",
        delays={"radio_off_s": exactly(30.0)},
    ),
    radio(
        "test_a_command_given_while_the_pin_silences_takes_effect_after_it",
        "lets a command win over the pin",
        quirks={"command_beats_radio_pin": True},
    ),
    supply(
        "test_the_rail_is_within_the_profile_with_the_module_off_and_on",
        "is fed by a regulator of 4.5 V",
        parts={"REGULATOR": {**REGULATOR, "volts": 4.5}},
    ),
    supply(
        "test_the_rail_stays_within_the_profile_while_the_module_registers",
        "has an aged capacitor and a thin cable",
        change={"network": {"technology": "2g"}},
        parts={"BULK": {**BULK, "esr_ohm": 1.0}, "CABLE": {**CABLE, "ohm": 0.9}},
    ),
    supply(
        "test_the_module_does_not_restart_while_it_registers",
        "hangs on a weak cell with an aged capacitor",
        change={"network": {"technology": "2g"}, "supply": {"volts": 4.2, "resistance_ohm": 0.75}},
        parts={"BULK": {**BULK, "esr_ohm": 1.0}},
    ),
    supply(
        "test_a_sag_below_the_lock_out_restarts_the_module_without_a_farewell",
        "forgets at once that it ran",
        change=unit(supply={"forgets_below_v": 3.09, "lockout_after_s": 0.001}),
    ),
    supply(
        "test_the_module_holds_on_down_to_its_least_voltage",
        "locks out at 3.7 V already",
        change=unit(supply={"lockout_v": 3.7, "warning_v": 3.75, "restart_v": 3.8}),
    ),
    supply(
        "test_a_supply_that_was_cut_for_long_makes_the_module_forget_that_it_ran",
        "never forgets",
        change=unit(supply={"forgets_below_v": 0.0}),
    ),
    supply(
        "test_a_module_on_a_supply_that_ramps_slowly_starts_as_ever",
        "has a regulator that does not come back below 5.1 V",
        change={"start": {"module": "off"}},
        parts={"REGULATOR": {**REGULATOR, "lockout_v": 4.5, "hysteresis_v": 0.6}},
    ),
    supply(
        "test_below_its_start_voltage_the_module_does_not_start",
        "starts from 3.15 V on",
        change=unit(supply={"restart_v": 3.15}),
    ),
    supply(
        "test_the_module_starts_on_the_least_rail_that_the_profile_allows",
        "hangs on a thin cable, and its inrush pulls the rail down",
        parts={"CABLE": {**CABLE, "ohm": 1.0}, "BULK": {**BULK, "farad": 100e-6}},
    ),
    wiring(
        "test_the_level_of_rest_at_the_key_starts_nothing",
        "has the other polarity",
        change=unit(pins={"power_key": {"active": "high"}}),
    ),
    wiring(
        "test_a_key_that_is_let_go_starts_nothing",
        "the carrier pulls the header pin up",
        parts={"MISPLACED_PULL": {"kind": "pull", "net": "KEY_HEADER", "to": "HOST_3V3", "ohm": 10e3}},
    ),
    wiring(
        "test_a_key_that_is_let_go_stops_nothing",
        "the carrier pulls the header pin up",
        parts={"MISPLACED_PULL": {"kind": "pull", "net": "KEY_HEADER", "to": "HOST_3V3", "ohm": 10e3}},
    ),
    wiring(
        "test_the_host_starts_and_stops_the_module_again_and_again",
        "stops from 5 s on only",
        change=unit(key={"stop_s": exactly(5.0)}),
    ),
    wiring(
        "test_a_boot_of_the_host_does_not_start_the_module",
        "the host pulls the key's line up while it boots",
        change={"host": {"lines": {"16": {"boot": "up"}}}},
    ),
    wiring(
        "test_a_boot_of_the_host_does_not_stop_a_running_module",
        "the host drives the key's line high while it boots",
        change={"host": {"lines": {"16": {"boot": "high"}}}},
    ),
    wiring(
        "test_a_boot_of_the_host_leaves_the_radios_on",
        "the host drives the radios' line high while it boots",
        change={"host": {"lines": {"18": {"boot": "high"}}}},
    ),
    wiring(
        "test_the_serial_interface_carries_both_ways",
        "the selector switch of the receive line is open",
        change={"board": {"switches": {"UART_RX": "open"}}},
    ),
    usb(
        "test_every_port_of_the_profile_comes",
        "has an interface that does not come up",
        unit(usb={"missing": ["data"]}),
    ),
    usb(
        "test_the_ports_come_together_and_their_numbers_rise",
        "shows one port every 2 s",
        unit(usb={"port_spacing_s": 2.0}),
    ),
    usb(
        "test_a_reset_by_the_host_brings_the_ports_back_and_they_answer",
        "shows one port every second",
        unit(usb={"port_spacing_s": 1.0}),
    ),
    usb(
        "test_an_idle_bus_sleeps_only_where_the_host_allows_it",
        "the host's driver does not support autosuspend",
        {"host": {"usb_autosuspend": False}},
    ),
    usb(
        "test_a_command_wakes_the_bus_and_is_answered_in_time",
        "takes 0.4 s to resume",
        unit(usb={"resume_s": exactly(0.4)}),
    ),
    usb(
        "test_a_line_of_the_module_s_own_wakes_the_bus",
        "cannot wake the host",
        unit(usb={"remote_wakeup": False}),
    ),
    usb(
        "test_sleeping_and_waking_again_and_again_leaves_the_port_where_it_was",
        "fails to resume every third time",
        unit(usb={"resume_fails": 0.33}),
    ),
    usb(
        "test_whoever_holds_a_port_is_told_when_it_goes",
        "lives on without supply",
        unit(supply={"lockout_v": 0.0}),
    ),
    usb(
        "test_a_dead_handle_keeps_its_number_until_it_is_closed",
        "shows one port every second",
        unit(usb={"port_spacing_s": 1.0}),
    ),
    usb(
        "test_another_device_on_the_bus_changes_the_numbers_and_nothing_else",
        "has an interface that does not come up",
        unit(usb={"missing": ["nmea"]}),
    ),
    uart(
        "test_it_answers_at_the_profile_s_rate_and_framing",
        "speaks at 57600",
        unit(uart={"baud": 57600}),
    ),
    uart(
        "test_it_answers_at_another_rate_only_where_it_can_learn_it",
        "learns any rate",
        unit(uart={"autobaud": True}),
    ),
    uart(
        "test_training_takes_as_many_lines_as_the_profile_says",
        "needs four lines",
        unit(uart={"training_lines": 4}),
        bench="upper-station",
    ),
    uart(
        "test_with_another_parity_it_does_not_answer",
        "speaks with even parity",
        unit(uart={"framing": "8E1"}),
    ),
    uart(
        "test_the_echo_is_as_the_profile_says_until_it_is_set",
        "comes with its echo off",
        unit(at={"echo": False}),
    ),
    uart(
        "test_a_character_takes_the_time_that_its_bits_take",
        "thinks for 50 ms",
        unit(delays={"reply_s": exactly(0.05)}),
    ),
    uart("test_hundreds_of_commands_are_all_answered", "hangs on a noisy line", {"uart": {"noise": 0.001}}),
    uart(
        "test_after_a_rest_it_wakes_with_the_second_command_at_the_latest",
        "takes 2 s to wake",
        unit(uart={"wake_s": 2.0}),
    ),
    uart(
        "test_with_flow_control_a_flood_during_a_long_command_loses_nothing",
        "does not drive CTS, and takes a second for the command",
        unit(uart={"flow_control": False}, delays={"functionality_s": exactly(1.0)}),
        bench="upper-station",
    ),
    uart(
        "test_while_the_host_takes_nothing_the_module_says_nothing",
        "does not heed RTS",
        unit(uart={"flow_control": False}),
        bench="upper-station",
    ),
    uart(
        "test_two_interfaces_at_once_have_settings_and_answers_of_their_own",
        "the selector switch of the transmit line is open",
        {"board": {"switches": {"UART_TX": "open"}}},
    ),
    uart(
        "test_a_break_does_not_stop_it_from_answering",
        "the selector switch of the receive line is open",
        {"board": {"switches": {"UART_RX": "open"}}},
    ),
    at(
        "grammar",
        "test_lines_are_known_by_their_prefix_in_either_case",
        "knows capitals only",
        prefix_in_capitals_only=True,
    ),
    at(
        "grammar",
        "test_a_slash_repeats_the_last_line_without_a_terminator",
        "does not know A/",
        no_repeat=True,
    ),
    at(
        "grammar",
        "test_the_commands_of_a_line_are_done_in_turn_with_one_result",
        "takes one command a line",
        one_command_a_line=True,
    ),
    at(
        "grammar",
        "test_an_error_ends_the_line_and_what_stood_before_it_is_done",
        "looks at the whole line first",
        checks_line_first=True,
    ),
    Row(
        suite="grammar",
        test="test_an_unknown_command_is_refused_at_once",
        wrong="thinks for 3 s",
        change=unit(delays={"reply_s": exactly(3.0)}),
    ),
    at(
        "grammar",
        "test_spaces_and_small_letters_make_no_difference",
        "stumbles over spaces",
        spaces_count=True,
    ),
    at(
        "grammar",
        "test_the_editing_character_takes_the_one_before_it_away",
        "has no editing character",
        no_editing=True,
    ),
    at(
        "grammar",
        "test_seven_bits_count_and_control_characters_do_not",
        "takes eight bits",
        eight_bits=True,
    ),
    at(
        "grammar",
        "test_a_line_may_be_as_long_as_the_profile_says_and_a_longer_one_is_one_error",
        "takes 200 characters only",
        line_limit=200,
    ),
    at(
        "grammar",
        "test_strings_need_both_quotes_and_keep_what_stands_in_them",
        "forgives a missing quote",
        closes_quotes=True,
    ),
    at(
        "grammar",
        "test_s_parameters_read_with_three_digits_and_keep_to_their_ranges",
        "leaves leading zeros out",
        short_s_parameters=True,
    ),
    at(
        "grammar",
        "test_another_terminator_counts_from_the_result_of_its_line_on",
        "takes S3 and does not heed it",
        fixed_format=True,
    ),
    at(
        "grammar",
        "test_a_value_that_is_not_allowed_is_refused_and_the_old_one_kept",
        "takes the nearest value instead",
        nearest_value=True,
    ),
    at("grammar", "test_the_defaults_come_back", "has other defaults", error_level=1),
    Row(
        suite="grammar",
        test="test_a_character_ends_an_abortable_command_once_the_guard_time_is_over",
        wrong="goes on to the end",
        change=unit(extensions={"commands": {"SCAN": {"abortable": False}}}),
    ),
    at(
        "formatting",
        "test_results_have_their_bytes_under_every_v_q_x_and_e",
        "ends numeric results with a line feed",
        numeric_with_line_feed=True,
    ),
    at(
        "formatting",
        "test_errors_of_the_equipment_have_their_bytes_under_every_cmee_v_and_q",
        "formats +CME ERROR by V",
        cme_follows_verbose=True,
    ),
    at(
        "formatting",
        "test_information_is_sent_under_q1_and_framed_as_v_says",
        "is silent altogether under Q1",
        quiet_hides_information=True,
    ),
    at(
        "formatting",
        "test_answers_begin_with_the_name_a_colon_and_a_space",
        "prints no space",
        no_space_after_colon=True,
    ),
    Row(
        suite="formatting",
        test="test_identification_is_bare_text",
        wrong="is of another revision than the profile",
        change=unit(identity={"revision": "TL4-1.4.1"}),
    ),
    at(
        "formatting",
        "test_the_echo_comes_character_by_character_as_it_was_sent",
        "echoes whole lines",
        echoes_lines=True,
    ),
    at(
        "formatting",
        "test_s3_and_s4_stand_in_every_format",
        "takes S4 and does not heed it",
        fixed_format=True,
    ),
    at(
        "unsolicited",
        "test_reports_come_only_where_they_were_asked_for",
        "reports to the UART only",
        unsolicited_on=["uart"],
    ),
    at(
        "unsolicited",
        "test_a_report_waits_for_a_slow_command_or_not_as_the_profile_says",
        "holds nothing back",
        hold_unsolicited=False,
    ),
    at(
        "unsolicited",
        "test_a_report_cuts_into_a_reply_only_where_the_profile_lets_it",
        "holds nothing back and replies in pieces",
        hold_unsolicited=False,
        reply_piece=4,
        piece_gap_s=0.01,
    ),
    at(
        "unsolicited",
        "test_a_reply_is_understood_wherever_a_report_comes",
        "reports to the UART only",
        unsolicited_on=["uart"],
    ),
    at(
        "unsolicited",
        "test_the_reports_of_a_burst_all_come_as_far_apart_as_the_profile_says",
        "spaces them by 5 s",
        unsolicited_gap_s=5.0,
    ),
    at(
        "unsolicited",
        "test_reports_go_to_the_ports_that_the_profile_names",
        "reports to the AT port only",
        unsolicited_on=["at"],
    ),
    at(
        "unsolicited",
        "test_q1_silences_reports_too",
        "reports under Q1",
        unsolicited_in_quiet=True,
    ),
    Row(
        suite="card",
        test="test_the_card_is_ready_in_time_and_busy_until_then",
        wrong="has a card that takes a minute to start",
        change={"card": {"starts_s": 60.0}},
    ),
    Row(
        suite="card",
        test="test_a_card_that_is_put_in_while_the_module_runs_is_told_as_busy_until_it_is_ready",
        wrong="tells a starting card as none",
        change=unit(at={"card_starting_error": 10}),
    ),
    Row(
        suite="card",
        test="test_the_pin_is_accepted_in_time",
        wrong="takes 12 s",
        change=unit(delays={"pin_accepted_s": exactly(12.0)}),
    ),
    Row(
        suite="card",
        test="test_every_try_is_left_before_and_after",
        wrong="has a card with a try spent",
        change={"card": {"pin_tries": 2}},
    ),
    Row(
        suite="card",
        test="test_the_subscriber_is_hidden_until_the_pin_is_entered",
        wrong="has a card that asks for no PIN",
        change={"card": {"pin_enabled": False}},
    ),
    Row(
        suite="card",
        test="test_the_card_s_number_has_its_check_digit",
        wrong="has a card with a digit changed",
        change={"card": {"iccid": "8999900000000000122"}},
    ),
    Row(
        suite="card",
        test="test_a_card_that_is_pulled_is_missed_and_found_again_when_it_is_put_back",
        wrong="looks for a card at boot only",
        change=unit(quirks={"card_seen_at_boot_only": True}),
    ),
    Row(
        suite="registration",
        test="test_it_registers_in_the_profile_s_time",
        wrong="takes 40 s",
        change=unit(delays={"registration_s": exactly(40.0)}),
    ),
    Row(
        suite="registration",
        test="test_home_and_roaming_are_told_apart",
        wrong="has a card of the other network",
        change={"card": {"imsi": "001990123456789"}},
    ),
    searches_once("test_a_cell_that_goes_is_missed_and_found_again"),
    Row(
        suite="registration",
        test="test_a_final_cause_is_told_and_nothing_is_tried_again",
        wrong="tries again whatever the cause",
        change=unit(quirks={"retries_whatever_the_cause": True}),
    ),
    Row(
        suite="registration",
        test="test_a_passing_cause_is_tried_again_after_t3411",
        wrong="gives up at the first failure",
        change=unit(quirks={"gives_up_at_first_failure": True}),
    ),
    Row(
        suite="registration",
        test="test_five_refusals_lead_to_t3402",
        wrong="never waits longer than T3411",
        change=unit(quirks={"ignores_long_waits": True}),
    ),
    Row(
        suite="registration",
        test="test_congestion_is_waited_out_as_the_network_says",
        wrong="never waits longer than T3411",
        change=unit(quirks={"ignores_long_waits": True}),
    ),
    searches_once("test_a_network_that_detaches_and_asks_for_it_is_attached_to_again"),
    searches_once("test_the_operator_is_told_and_given_up_and_found_again"),
    Row(
        suite="registration",
        test="test_looking_for_operators_ends_in_time",
        wrong="takes three minutes",
        change=unit(delays={"operator_scan_s": exactly(180.0)}),
    ),
    Row(
        suite="signal",
        test="test_the_level_is_what_arrives",
        wrong="measures 12 dB too little",
        change=unit(receiver={"level_error_db": -12.0}),
    ),
    Row(
        suite="signal",
        test="test_levels_are_unknown_while_the_radios_are_off",
        wrong="tells a level all the same",
        change=unit(quirks={"hears_while_silent": True}),
    ),
    Row(
        suite="signal",
        test="test_attenuation_lowers_the_level_until_the_cell_is_lost",
        wrong="stands right below the mast",
        change={"network": {"rsrp_dbm": -45.0}},
    ),
    Row(
        suite="signal",
        test="test_a_level_alone_does_not_prove_the_main_antenna",
        wrong="is heard through an open connector",
        change={"network": {"hears_dbm": -150.0}},
    ),
    Row(
        suite="time",
        test="test_registration_sets_the_clock_and_it_runs",
        wrong="is given no time",
        change={"network": {"gives_time": False}},
    ),
    Row(
        suite="time",
        test="test_the_zone_follows_the_network",
        wrong="is given no time",
        change={"network": {"gives_time": False}},
    ),
    Row(
        suite="time",
        test="test_a_clock_that_was_told_to_stays_as_it_is",
        wrong="follows the network whatever +CTZU says",
        change=unit(quirks={"clock_always_follows": True}),
    ),
    message(
        "test_a_text_to_itself_comes_back_as_it_was_sent",
        "the service centre forgets every message",
        centre(lost=1.0),
    ),
    message(
        "test_a_long_text_comes_back_whole",
        "the card has room for one part only",
        {"card": {"messages": 1}},
    ),
    message(
        "test_parts_that_come_in_disorder_are_put_together",
        "the service centre forgets every message",
        centre(lost=1.0),
    ),
    message(
        "test_no_message_comes_twice",
        "the service centre delivers twice",
        centre(doubled=1.0),
    ),
    message(
        "test_word_of_a_message_comes_as_it_was_asked_for",
        "word goes to the data port only",
        unit(at={"unsolicited_on": ["data"]}),
    ),
    message(
        "test_a_report_comes_for_whoever_asks",
        "the service centre gives no reports",
        centre(reports=False),
    ),
    message(
        "test_the_prompt_is_that_of_the_profile",
        "prompts without the space",
        unit(messages={"prompt": "\r\n>"}),
    ),
    message(
        "test_each_line_of_a_text_prompts_again_and_the_lines_are_kept",
        "prompts without the space",
        unit(messages={"prompt": "\r\n>"}),
    ),
    message(
        "test_escape_gives_a_message_up_and_nothing_is_sent_or_stored",
        "takes ESC for text",
        ways(escape_is_text=True),
    ),
    message(
        "test_after_a_client_s_death_in_mid_message_escape_brings_the_modem_back",
        "takes ESC for text",
        ways(escape_is_text=True),
    ),
    message(
        "test_a_damaged_message_is_refused_and_nothing_is_stored",
        "forgives a wrong length and an odd digit",
        ways(forgives_pdu=True),
    ),
    message(
        "test_power_lost_in_the_middle_of_a_message_leaves_the_store_as_it_was",
        "stores what was not finished",
        ways(keeps_unfinished=True),
    ),
    message(
        "test_a_full_store_refuses_and_loses_nothing",
        "overwrites its oldest message",
        ways(overwrites_oldest=True),
    ),
    message(
        "test_what_comes_to_a_full_store_comes_when_there_is_room",
        "acknowledges what it cannot keep",
        ways(loses_when_full=True),
    ),
    message(
        "test_a_store_that_is_filled_and_emptied_for_weeks_stays_usable",
        "frees places at the next boot only",
        ways(keeps_places=True),
    ),
    message(
        "test_a_late_result_is_one_result_of_one_message",
        "the service centre delivers twice",
        centre(doubled=1.0),
    ),
    message(
        "test_after_a_timeout_of_the_network_the_message_may_be_on_its_way",
        "the service centre forgets every message",
        centre(lost=1.0),
    ),
    message(
        "test_a_wrong_service_centre_is_refused_with_a_cause",
        "the number of the wrong centre is that of this one",
        centre(number="+447700900998"),
    ),
    message(
        "test_a_refusal_is_told_with_the_network_s_cause",
        "hides causes under +CMEE=0",
        unit(at={"quirks": {"cms_follows_error_level": True}}),
    ),
)
