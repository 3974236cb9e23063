import pytest

from acquire.errors import ConfigError, PortLost, TransportError
from acquire.ports import SerialPath, TcpAddress, UsbAddress, list_ports, parse_address, resolve
from tests.listed_port import Listed


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("serial:/dev/ttyUSB0", SerialPath("/dev/ttyUSB0")),
        ("/dev/ttyUSB0", SerialPath("/dev/ttyUSB0")),
        ("./bench/force", SerialPath("./bench/force")),
        ("serial:COM3", SerialPath("COM3")),
        ("com12", SerialPath("com12")),
        (r"\\.\COM12", SerialPath(r"\\.\COM12")),
        ("serial:usb=A50285BI", UsbAddress("A50285BI")),
        ("serial:usb=00 7/b", UsbAddress("00 7/b")),
        ("tcp://127.0.0.1:4001", TcpAddress("127.0.0.1", 4001)),
        ("tcp://[::1]:65535", TcpAddress("::1", 65535)),
    ],
)
def test_addresses_that_are_understood(text: str, address: SerialPath | UsbAddress | TcpAddress) -> None:
    assert parse_address(text) == address
    assert parse_address(str(address)) == address


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "a serial port is a path such as"),
        ("ttyUSB0", "a serial port is a path such as"),
        ("COM0", "a serial port is a path such as"),
        ("serial:", "a serial port is a path such as"),
        ("serial:usb=", "the USB serial number is missing"),
        ("serial: /dev/ttyUSB0", "blanks around it"),
        ("/dev/tty\x00", "characters that cannot be printed"),
        ("udp://127.0.0.1:4001", "'udp:' is no kind of port"),
        ("tcp:127.0.0.1:4001", "the host is missing"),
        ("tcp://:4001", "the host is missing"),
        ("tcp://a b:4001", "the host is missing"),
        ("tcp://127.0.0.1", "the port number (1 to 65535) is missing"),
        ("tcp://127.0.0.1:0", "the port number (1 to 65535) is missing"),
        ("tcp://127.0.0.1:65536", "Port out of range 0-65535"),
        ("tcp://127.0.0.1:x", "could not be cast"),
        ("tcp://127.0.0.1:4001/a", "nothing but host and port number"),
        ("tcp://me@127.0.0.1:4001", "nothing but host and port number"),
        ("tcp://[::1:4001", "Invalid IPv6 URL"),
    ],
)
def test_addresses_that_are_refused(text: str, why: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_address(text)
    assert str(caught.value).startswith(f"port address {text!r}: ")
    assert why in str(caught.value)
    assert "serial:usb=SERIALNUMBER" in caught.value.hint


PORTS = [
    Listed("/dev/ttyUSB1", "F1", "Force adapter (invented)"),
    Listed("/dev/ttyUSB3", "TWIN"),
    Listed("/dev/ttyUSB2", "TWIN"),
    Listed("/dev/ttyS0", None, "/dev/ttyS0"),
]


def test_a_usb_serial_number_finds_its_port_wherever_it_is() -> None:
    assert resolve(UsbAddress("F1"), ports=lambda: PORTS) == "/dev/ttyUSB1"
    assert resolve(UsbAddress("F1"), ports=lambda: [Listed("/dev/ttyUSB7", "F1")]) == "/dev/ttyUSB7"
    assert resolve(SerialPath("COM3"), ports=lambda: PORTS) == "COM3"


def test_a_usb_serial_number_that_is_missing_is_waited_for() -> None:
    with pytest.raises(PortLost, match="no port with USB serial number F2 is connected"):
        resolve(UsbAddress("F2"), ports=lambda: PORTS)


def test_a_usb_serial_number_that_is_there_twice_is_for_a_person_to_settle() -> None:
    with pytest.raises(TransportError, match=r"^2 ports have .* TWIN: /dev/ttyUSB2, /dev/ttyUSB3$") as caught:
        resolve(UsbAddress("TWIN"), ports=lambda: PORTS)
    assert not isinstance(caught.value, PortLost)


def test_the_list_says_what_to_write_into_the_bench_file() -> None:
    found = [
        (info.device, info.description, info.address) for info in list_ports(probe=False, ports=lambda: PORTS)
    ]
    assert found == [
        ("/dev/ttyS0", "", "serial:/dev/ttyS0"),
        ("/dev/ttyUSB1", "Force adapter (invented)", "serial:usb=F1"),
        ("/dev/ttyUSB2", "", "serial:/dev/ttyUSB2"),
        ("/dev/ttyUSB3", "", "serial:/dev/ttyUSB3"),
    ]


def test_this_machines_ports_can_be_listed() -> None:
    for info in list_ports(probe=False):
        assert info.device
        assert str(parse_address(info.address)) == info.address
