"""Results in, sentences out. Every sentence about a result is made in here.

The evidence chooses the words: one bake per pit never says "burns more", a wide
interval never says "the same", and none burned never says "never". A sentence about a
result names the unit of replication, what was averaged over and the conditions; it
passes the gate in `guard`, which the tests close against words that claim too much.
"""

from pitstats.report.wording.method import SAFETY as SAFETY
from pitstats.report.wording.method import SAFETY_CLOSING as SAFETY_CLOSING
from pitstats.report.wording.method import limits as limits
from pitstats.report.wording.method import method as method
from pitstats.report.wording.numbers import count as count
from pitstats.report.wording.numbers import level_text as level_text
from pitstats.report.wording.numbers import listed as listed
from pitstats.report.wording.numbers import one_line as one_line
from pitstats.report.wording.numbers import p_text as p_text
from pitstats.report.wording.numbers import percent as percent
from pitstats.report.wording.numbers import points as points
from pitstats.report.wording.pairs import answer as answer
from pitstats.report.wording.pairs import headline_number as headline_number
from pitstats.report.wording.pairs import largest_difference as largest_difference
from pitstats.report.wording.pairs import methods_caption as methods_caption
from pitstats.report.wording.pairs import naive_sentence as naive_sentence
from pitstats.report.wording.pairs import pair_sentence as pair_sentence
from pitstats.report.wording.pairs import pairs_caption as pairs_caption
from pitstats.report.wording.pairs import title as title
from pitstats.report.wording.pairs import ways_sentence as ways_sentence
from pitstats.report.wording.rates import SHRINKAGE as SHRINKAGE
from pitstats.report.wording.rates import bake_spread_sentence as bake_spread_sentence
from pitstats.report.wording.rates import effective_sentence as effective_sentence
from pitstats.report.wording.rates import missing_sentence as missing_sentence
from pitstats.report.wording.rates import rate_sentence as rate_sentence
from pitstats.report.wording.rates import rates_caption as rates_caption
from pitstats.report.wording.rates import rates_table_caption as rates_table_caption
