import threading

from benchd.store import ids


def test_ids_have_their_prefix_and_sixteen_characters_of_the_alphabet() -> None:
    prefix, _, body = ids.new_id("cap").partition("-")
    assert prefix == "cap"
    assert len(body) == 16
    assert set(body) <= set(ids.ALPHABET)


def test_ids_made_by_many_threads_are_all_different_and_rise_in_each_thread() -> None:
    made: dict[int, list[str]] = {}

    def make(number: int) -> None:
        made[number] = [ids.new_id("job") for _ in range(5000)]

    threads = [threading.Thread(target=make, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({one for many in made.values() for one in many}) == 20_000
    assert all(many == sorted(many) for many in made.values())


def test_ids_rise_even_when_the_clock_is_set_back(monkeypatch) -> None:
    first = ids.new_id("job")
    monkeypatch.setattr(ids.time, "time_ns", lambda: 1_000_000_000)
    assert ids.new_id("job") > first


def test_numbers_are_encoded_in_base_32_as_computed_by_hand() -> None:
    # 1000 = 31 * 32 + 8; the alphabet skips i, l, o, u, so digit 31 is z.
    assert ids.encode(1000, 4) == "00z8"
