"""The reading grade and its syllable counter, against counts made by hand."""

from __future__ import annotations

import re

import pytest

from retreat.pages.readability import grade, n_words, syllables

# counted by hand, as spoken in British English
SYLLABLES = """
    eye 1 eyes 1 laser 2 lens 1 retina 3 floater 2 floaters 2 vision 2 ring 1 cloud 1 gel 1 pupil 2 cornea 3
    session 2 sessions 2 finished 2 stopped 1 treated 2 treatment 2 learned 1 failed 1 relief 2 surgery 3
    glasses 2 average 3 estimate 3 decide 2 table 2 little 2 people 2 patient 2 patients 2 promise 2 licensed 2
    ophthalmologist 6 doctor 2 pressure 2 urgent 2 flashes 2 shower 2 curtain 2 loss 1 likely 2 range 1 ranges 2
    times 1 made 1 cause 1 goes 1 does 1 older 2 three 1 seven 2 eleven 3 degrees 2 dioptres 3 measured 2
    implant 2 focus 2 natural 3 distance 2 demonstration 4 invented 3 counselling 3 group 1 number 2 guess 1
    38 3 100 3 90 2 7 2 0 2 812 4 640 5
"""


@pytest.mark.parametrize(("word", "count"), re.findall(r"(\w+) (\d+)", SYLLABLES))
def test_syllables_agree_with_the_count_by_hand(word: str, count: str):
    assert syllables(word) == int(count)


@pytest.mark.parametrize(
    ("text", "n_words", "n_sentences", "n_syllables"),
    [
        # The(1) eye(1) is(1) calm(1).
        ("The eye is calm.", 4, 1, 4),
        # A(1) laser(2) can(1) hurt(1) the(1) retina(3). Ask(1) your(1) doctor(2)!
        ("A laser can hurt the retina. Ask your doctor!", 9, 2, 13),
        # Of(1) 38(3) eyes(1), 7(2) stopped(1): two(1) had(1) surgery(3)
        ("Of 38 eyes, 7 stopped: two had surgery", 8, 1, 13),
    ],
)
def test_the_grade_is_the_formula_of_1975_on_counts_by_hand(
    text: str, n_words: int, n_sentences: int, n_syllables: int
):
    by_hand = 0.39 * n_words / n_sentences + 11.8 * n_syllables / n_words - 15.59
    assert grade(text) == pytest.approx(by_hand, abs=1e-12)


def test_pieces_of_a_list_end_a_sentence_each():
    assert grade(["The eye is calm", "It is well"]) == pytest.approx(grade("The eye is calm. It is well."))


def test_a_decimal_point_ends_no_sentence():
    # It(1) is(1) 2(1) 5(1) mm(1) long(1): one sentence of six words
    assert grade("It is 2.5 mm long.") == pytest.approx(0.39 * 6 + 11.8 - 15.59)


def test_words_are_counted_with_numbers_and_without_signs():
    assert n_words("Of 100 eyes (45%), 45 are finished - or not.") == 9


def test_a_text_without_words_has_no_grade():
    with pytest.raises(ValueError, match="no word to grade"):
        grade("...")
