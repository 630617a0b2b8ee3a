"""Ways of reading lines and of answering that modules have beside those of ITU-T V.250."""

from __future__ import annotations

from simulator.kernel.section import Section


class AtQuirks(Section):
    """Each is off unless turned on (common practice, no source; V.250 5.8.2 names several as differences).

    Reading: *prefix_in_capitals_only*; *no_repeat*: `A/` is not known; *no_editing*: the editing character
    (S5) is not heeded; *eight_bits*: the highest bit counts; *spaces_count*: a space between commands and
    values is an error; *closes_quotes*: a missing quote at the end of a line is forgiven;
    *one_command_a_line*: no concatenation; *checks_line_first*: a line with an error is not begun;
    *nearest_value*: a number out of range is taken as the nearest that is in it.

    Answering: *echoes_lines*: the echo comes when a line is complete; *fixed_format*: S3, S4 and S5 are set
    without effect; *short_s_parameters*: `S0?` answers without leading zeros; *no_space_after_colon*;
    *numeric_with_line_feed*: results under V0 end with S3 and S4; *cme_follows_verbose*: +CME ERROR lacks its
    header under V0; *cms_follows_error_level*: +CMS ERROR is a plain ERROR under +CMEE=0;
    *quiet_hides_information*: Q1 suppresses information text too; *unsolicited_in_quiet*: Q1 does not
    suppress what the module says by itself.
    """

    prefix_in_capitals_only: bool = False
    no_repeat: bool = False
    no_editing: bool = False
    eight_bits: bool = False
    spaces_count: bool = False
    closes_quotes: bool = False
    one_command_a_line: bool = False
    checks_line_first: bool = False
    nearest_value: bool = False
    echoes_lines: bool = False
    fixed_format: bool = False
    short_s_parameters: bool = False
    no_space_after_colon: bool = False
    numeric_with_line_feed: bool = False
    cme_follows_verbose: bool = False
    cms_follows_error_level: bool = False
    quiet_hides_information: bool = False
    unsolicited_in_quiet: bool = False
