"""How the page server is started: on this machine alone, and telling nobody."""

from baulk.dashboard.server import process


def test_the_server_listens_on_this_machine_only_and_reports_to_nobody(tmp_path):
    argv = process.command(tmp_path, 8600)
    assert "--server.address=127.0.0.1" in argv
    assert "--browser.gatherUsageStats=false" in argv
    assert "--server.port=8600" in argv
    assert argv[-2:] == ["--shop", str(tmp_path)]
