"""Renders in threads of one process write whole files, also if two write files of one name."""

import threading

import soundfile

import chainrun
from tests.signals import noise

SONG = 'grammar = 1\n[stems.a]\nfile = "long.wav"\ntrim_db = {trim}\n[[deliver]]\nfile = "mix.wav"\nbits = 24\n'


def test_two_threads_that_write_one_file_leave_one_of_both_whole(session):
    soundfile.write("long.wav", noise(48000 * 20, seed=7), 48000, subtype="PCM_24")
    made, told = {}, {}
    for name, trim in (("one", 0), ("two", -12)):
        (session.folder / f"{name}.recipe.toml").write_text(SONG.format(trim=trim))
        made[name] = chainrun.render(f"{name}.recipe.toml", f"alone-{name}").deliveries[0].pcm_sha256

    def work(name):
        told[name] = chainrun.render(f"{name}.recipe.toml", "both").deliveries[0].pcm_sha256

    for _ in range(3):
        threads = [threading.Thread(target=work, args=(name,)) for name in made]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert told == made
        assert chainrun.compare("both/mix.wav", "alone-one/mix.wav", match=False).identical != (
            chainrun.compare("both/mix.wav", "alone-two/mix.wav", match=False).identical
        )
