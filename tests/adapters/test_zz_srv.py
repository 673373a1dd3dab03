import time, urllib.request, urllib.error, json, pytest
import paho.mqtt.publish as p, paho.mqtt.subscribe as s
def test_m(mosquitto):
    p.single("a/b", b"x", qos=1, retain=True, hostname="127.0.0.1", port=mosquitto.port)
    mosquitto.kill(); mosquitto.start()
    m = s.simple("a/b", hostname="127.0.0.1", port=mosquitto.port)
    assert m.retain and m.payload == b"x"
    mosquitto.stop(); mosquitto.stop(); assert "mosquitto" in mosquitto.log()
def test_v(victoria_metrics):
    v = victoria_metrics
    for ts in (1000000000, 0, int(time.time()), int(time.time())+40*86400, 86400*365*15):
        urllib.request.urlopen(urllib.request.Request(v.url+"/api/v2/write?precision=s&bucket=a&org=b", data=f"m,cone=a temp_c=25.5 {ts}".encode(), method="POST"))
    e = v.export(); print(e)
    v.kill() if 0 else v.stop(); v.start()
    assert v.export() == e
def test_r(receiver):
    r = urllib.request.Request(receiver.url+"/x", data=b'{"a":1}')
    assert urllib.request.urlopen(r).status == 200
    receiver.behaviour = "500"
    with pytest.raises(urllib.error.HTTPError): urllib.request.urlopen(r)
    receiver.behaviour = "hang"
    with pytest.raises(TimeoutError): urllib.request.urlopen(r, timeout=.3)
    assert [p.body for p in receiver.wait_for(3)] == [{"a":1}]*3
