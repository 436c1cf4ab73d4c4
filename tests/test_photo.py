"""Photos: one loading path, tags, sharpness, exposure, and files that are no photos."""

import base64
import hashlib
import os
import zlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image as PillowImage

from fruitvision.domain import Doubt
from fruitvision.errors import PhotoUnreadable
from fruitvision.photo import find_photos, photo_id_of, read_photo, sharpness_of
from tests.scenes import Ball, Camera, Image, Leaf, draw_scene

# Four corners that tell every orientation from every other, 64 px wide and 48 px high.
RED, GREEN, BLUE, WHITE = (200, 30, 30), (30, 200, 30), (30, 30, 200), (220, 220, 220)
UPRIGHT = np.zeros((48, 64, 3), np.uint8)
UPRIGHT[:24, :32], UPRIGHT[:24, 32:], UPRIGHT[24:, :32], UPRIGHT[24:, 32:] = RED, GREEN, BLUE, WHITE

# How the sensor's rows lie in the file for each value of the orientation tag (EXIF 2.32, 4.6.4).
STORED: dict[int, Callable[[Image], Image]] = {
    1: lambda up: up,
    2: lambda up: up[:, ::-1],
    3: lambda up: up[::-1, ::-1],
    4: lambda up: up[::-1],
    5: lambda up: up.transpose(1, 0, 2),
    6: lambda up: up.transpose(1, 0, 2)[::-1],
    7: lambda up: up.transpose(1, 0, 2)[::-1, ::-1],
    8: lambda up: up.transpose(1, 0, 2)[:, ::-1],
}

# The same picture as HEIC with this orientation in its tags and as a turn of the container,
# as phones write it; date 2026-08-11 10:20:30+02:00. Written with libheif; base 85.
HEIC = {
    1: (
        "0000SW^{RQXk}?*00000ZE0pPXk}?*ZE0a<00051ZDn*}000000000XXk=`10000000000aA{+7000000000"
        "00000000000G-+&aV*mgE07O6l0ssL300001&Hw=b00000007JY0ssI200No-0RR9100000fB*mhIB98aW&i"
        "*H00062000$fZf0cy000000RRAKc4ILB0000LX>Mj^0ssI300IC2MR;ju000004sdC7Z2$lO00031008M}aB"
        "^?}007EqaAR)(004Gqc4I>U18@KU0FVFx0000U@BsY%`1k+-4+CHT0RR|40Sp2E{{wIU00RJ!0009300RIXx"
        "&lC90096hLID8-Z~y=U0FVFx0{{R603M(qfd!W8<fgf}2xu@M00096AOHXZ03l)k0RRR>0l{;?i2wiq6lrsC"
        "WdHyG00000KmY&$KmY&$C}V74Z~y=RKmY&$0RR91FaQ7m0RR91000000{{R2@Bjb+0ssI25O8UDX#fBK00Rg"
        "J2mk;87in;9VE_OC000000RRC6fdT}B0000QX>w&|000000000EV`Ot<00IC3009610aR^dVRQfh0LUl-uL<"
        "BGIH~{hJa7K|otL!7CzYqaSpWRDue`V){rVepevPj;{~DveKpOvqI}-~h#oA-A_8v8-yozi4%cYHA=#l~s&_"
        "m17FtrE3pPO3%EWTOac4YDEpIRXhF;>x2nYxFwiP%_YPU&!J`Piv<3+;}j5j_8Ps6a8$M4uOUJ=SQ+E&Q)yO"
        "$XAxhjWt^p}ms>N`I#SE_45U!B0?YCC|!4I_&6IO{9EKYu<oaJMYpEc&N|SqYs;pXz@s~W4?R;%76d>00u>P"
        "X=VTbO-%qQ0000800RLJ00IC200{s905Sm*00RI300962004(+00aO40096106YKy002y3a%*U5Y-|7k00NK"
        "$00IC202BZK09ud{00IC200#g70B!&P001&DGB!FeI65&gATcmHGB7$bFaRqsGCD9Y000"
    ),
    5: (
        "0000SW^{RQXk}?*00000ZE0pPXk}?*ZE0a<0005LZDn*}000000000XXk=`10000000000aA{+7000000000"
        "00000000000G-+&aV*mgE07O6l0ssL300001;s5~v00000002|~0ssI200K4u0RR9100000fB*mhIB98aW&i"
        "*H00062000$fZf0cy000000RRAKc4ILB0000LX>Mj^0ssI300IC2MR;ju000004sdC7Z2$lO00031008}IaB"
        "^?}007)+aAR)(004Gqc4I>U18@KU0FVFx0000U@BsY%`1k+-4+CHT0RR|40Sp2E{{wIU00RJ!0009300RIXx"
        "&lC90096hLID8-Z~y=U0FVFx0{{R603M(qfd!W8<fgf}2xu@M00096AOHXZ03l)k0RRR>0l{;?i2wiq6lrsC"
        "WdHyG00000KmY&$KmY&$C}V74Z~y=RFaQ7m0RR91KmY&$0ssI1@Bjb+0ssI2000000ssI25O8UDX#fBK00Rg"
        "J2mk;832Aa~bOQhY010VrX>tJo000?jaBX1#00000000310S18r1cQZ!0000QX>w&|000000000EV`Ot<00I"
        "C3009610Nib4VRQfh08l6auL<DegPc_V`JOlbeoo8UT}f03|F_XQ%YpyjlA9H8({{g4M@~uV7EyL6Pa~iI7M"
        "uS|todoL8HxL^TN9^)UxA}$L2Lhp=Rwa$Og{hs00u>PX=VTbO-%qQ0000800RLJ00IC200{s905Sm*00RI30"
        "0966004(+00aO40096106YKy002y3a%*U5Y-|7k00NK$00IC202BZK09ud{00IC200#g70B!&P001&DGB!Fe"
        "I65&gATcmHGB7$bFaRqsGCD9Y000"
    ),
    6: (
        "0000SW^{RQXk}?*00000ZE0pPXk}?*ZE0a<0005BZDn*}000000000XXk=`10000000000aA{+7000000000"
        "00000000000G-+&aV*mgE07O6l0ssL300001*Z=_l00000003+N0ssI200Kk+0RR9100000fB*mhIB98aW&i"
        "*H00062000$fZf0cy000000RRAKc4ILB0000LX>Mj^0ssI300IC2MR;ju000004sdC7Z2$lO00031008r8aB"
        "^?}007fzaAR)(004Gqc4I>U18@KU0FVFx0000U@BsY%`1k+-4+CHT0RR|40Sp2E{{wIU00RJ!0009300RIXx"
        "&lC90096hLID8-Z~y=U0FVFx0{{R603M(qfd!W8<fgf}2xu@M00096AOHXZ03l)k0RRR>0l{;?i2wiq6lrsC"
        "WdHyG00000KmY&$KmY&$C}V74Z~y=RFaQ7m0RR91KmY&$0ssI1@Bjb+0ssI2000000ssI25O8UDX#fBK00Rg"
        "J2mk;832Aa~bOQhY02pa-ZD9Za00000009621%UztgM|P902*m>Wo7^X0000001jhhb7KGk009620002=ZDe"
        "6|0001JC;_ht;N!oXRL8I1{`t@U&uk?!eaF1XzU1X^(ZzOabBgx-KNs|>0sw@dAZXM;tJUB8@-Vhvh>JCy0y"
        "o!qXYc>?m{9-e@L%q<w)DH*lT)I-V&!f}`!V0(Y8{Vtzl)S-3tPkB00006MR;ju002!*04e|g00;mB0S^EI0"
        "00090000o0TKWM0000100sa6hiL!=000010000y00000Okr|sXlZP000002kOKe$0000K00015kP!d^00007"
        "0001P00000GB7eWIxsjoF)<)9Fgh|YIx{c;D=;!TFfafB"
    ),
    8: (
        "0000SW^{RQXk}?*00000ZE0pPXk}?*ZE0a<0005BZDn*}000000000XXk=`10000000000aA{+7000000000"
        "00000000000G-+&aV*mgE07O6l0ssL300001*Z=_l00000003<O0ssI200Kn-0RR9100000fB*mhIB98aW&i"
        "*H00062000$fZf0cy000000RRAKc4ILB0000LX>Mj^0ssI300IC2MR;ju000004sdC7Z2$lO00031008r8aB"
        "^?}007fzaAR)(004Gqc4I>U18@KU0FVFx0000U@BsY%`1k+-4+CHT0RR|40Sp2E{{wIU00RJ!0009300RIXx"
        "&lC90096hLID8-Z~y=U0FVFx0{{R603M(qfd!W8<fgf}2xu@M00096AOHXZ03l)k0RRR>0l{;?i2wiq6lrsC"
        "WdHyG00000KmY&$KmY&$C}V74Z~y=RFaQ7m0RR91KmY&$0ssI1@Bjb+0ssI2000000ssI25O8UDX#fBK00Rg"
        "J2mk;832Aa~bO8VW02pa-ZD9Za00000009621%UztgM|P902*m>Wo7^X0000001jhhb7KGk009620002>ZDe"
        "6|0001KC;_ht;NwV|mjC+A{qMhX|L5*8yW+MBrT$zCe*FmzxKG<wNlo6?a71o<TlHmSb56o_T*MUG4XF8B99"
        "24J<DFd+5LbBn>T$ol{+4cPk=`G&3#K;T{*K~!${*AeoBxK#EK)H1`~Uy|21R&jW&i+9O#mtY000O80|5^J0"
        "ssI22><{9G650*0{{R30RRX90EcM+1ONa40RR91JOBUy08C+WYiMa~YybcN0+0g$0ssI26aWAKT96R{0ssI2"
        "2LJ#7ZU6uP05UK#HaajkIx#UIF)%tZFgi0Z04p#uIxsK*00"
    ),
}


def save(path: Path, image: Image, *, orientation: int = 1, **tags: object) -> Path:
    exif = PillowImage.Exif()
    exif[0x0112] = orientation
    exif[0x010F], exif[0x0110] = "Larkhill", "Larkhill Nine"
    more = exif.get_ifd(0x8769)
    more.update({int(name[1:], 16): value for name, value in tags.items()})
    keep = {"quality": 95} if path.suffix == ".jpg" else {}
    PillowImage.fromarray(np.ascontiguousarray(image)).save(path, exif=exif, **keep)
    return path


def canopy(*, seed: int = 3) -> Image:
    """Fruit and leaves, 1,500 px wide."""
    rng = np.random.default_rng(seed)
    camera = Camera(width_px=1500, height_px=1000, focal_px=1300.0)
    places = rng.uniform((-900, -600, 1500), (900, 600, 1800), (160, 3))
    leaves = [Leaf(centre_mm=tuple(p), roll_deg=float(rng.uniform(0, 180))) for p in places]
    balls = [Ball(centre_mm=tuple(p), diameter_mm=75.0) for p in places[::6] - (40, 0, 0)]
    return draw_scene(camera, (*leaves, *balls), seed=seed, rays_per_side=3)


@pytest.fixture(scope="module")
def sharp() -> Image:
    return canopy()


@pytest.fixture
def jpeg(tmp_path: Path) -> Path:
    return save(tmp_path / "photo.jpg", UPRIGHT)


# ---------------------------------------------------------------- upright


def assert_upright(image: Image, tolerance: int) -> None:
    assert image.shape == (48, 64, 3)
    assert image.dtype == np.uint8
    for corner, colour in zip(
        (image[8, 8], image[8, -9], image[-9, 8], image[-9, -9]),
        (RED, GREEN, BLUE, WHITE),
        strict=True,
    ):
        assert np.abs(corner.astype(int) - colour).max() <= tolerance


@pytest.mark.parametrize("ending", [".jpg", ".png", ".tif"])
@pytest.mark.parametrize("orientation", list(STORED))
def test_every_orientation_is_turned_once(tmp_path: Path, ending: str, orientation: int) -> None:
    path = save(tmp_path / f"photo{ending}", STORED[orientation](UPRIGHT), orientation=orientation)
    image, photo = read_photo(path)
    assert_upright(image, tolerance=8)
    assert (photo.width_px, photo.height_px) == (64, 48)


@pytest.mark.parametrize("orientation", list(HEIC))
def test_a_heic_arrives_upright_and_is_not_turned_again(tmp_path: Path, orientation: int) -> None:
    path = tmp_path / "photo.heic"
    path.write_bytes(base64.b85decode(HEIC[orientation]))
    image, photo = read_photo(path)
    assert_upright(image, tolerance=8)
    assert photo.taken_at == datetime.fromisoformat("2026-08-11T10:20:30+02:00")


@pytest.mark.parametrize(("orientation", "turned"), [(6, 90), (8, 270)])
def test_a_heic_says_how_it_was_turned_as_a_jpeg_does(
    tmp_path: Path, orientation: int, turned: int
) -> None:
    path = tmp_path / "photo.heic"
    path.write_bytes(base64.b85decode(HEIC[orientation]))
    jpeg = save(tmp_path / "photo.jpg", STORED[orientation](UPRIGHT), orientation=orientation)
    assert read_photo(path)[1].turned_deg == read_photo(jpeg)[1].turned_deg == turned


def test_an_orientation_that_does_not_exist_turns_nothing(tmp_path: Path) -> None:
    image, _ = read_photo(save(tmp_path / "photo.png", UPRIGHT, orientation=9))
    assert_upright(image, tolerance=0)


# ---------------------------------------------------------------- pixels


@pytest.mark.parametrize(
    ("picture", "expected"),
    [
        (PillowImage.fromarray(np.full((40, 40), 0x8080, np.uint16)), (128, 128, 128)),
        (PillowImage.new("L", (40, 40), 77), (77, 77, 77)),
        (PillowImage.new("LA", (40, 40), (77, 10)), (77, 77, 77)),
        (PillowImage.new("RGBA", (40, 40), (10, 20, 30, 0)), (10, 20, 30)),
        (PillowImage.new("1", (40, 40), 1), (255, 255, 255)),
    ],
    ids=["16 bit", "grey", "grey with alpha", "alpha", "one bit"],
)
@pytest.mark.parametrize("ending", [".png", ".tif"])
def test_other_pixels_become_eight_bit_colour(
    tmp_path: Path, picture: PillowImage.Image, expected: tuple[int, int, int], ending: str
) -> None:
    path = tmp_path / f"photo{ending}"
    picture.save(path)
    image, _ = read_photo(path)
    assert image.shape == (40, 40, 3)
    assert tuple(image[20, 20]) == expected


def test_print_colours_become_eight_bit_colour(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    PillowImage.new("CMYK", (40, 40), (0, 255, 255, 0)).save(path, quality=100)
    image, _ = read_photo(path)
    assert image[20, 20] == pytest.approx([255, 0, 0], abs=4)


def test_measured_values_are_no_photo(tmp_path: Path) -> None:
    path = tmp_path / "depth.tif"
    PillowImage.fromarray(np.ones((40, 40), np.float32)).save(path)
    with pytest.raises(PhotoUnreadable, match=r"depth\.tif holds measured values"):
        read_photo(path)


def test_the_format_is_told_by_content_not_by_name(tmp_path: Path) -> None:
    path = save(tmp_path / "photo.png", UPRIGHT).rename(tmp_path / "photo.jpg")
    assert_upright(read_photo(path)[0], tolerance=0)


# ---------------------------------------------------------------- tags


def test_the_date_keeps_its_time_zone(tmp_path: Path) -> None:
    path = save(tmp_path / "photo.jpg", UPRIGHT, x9003="2026:08:11 10:20:30", x9011="-07:00")
    _, photo = read_photo(path)
    assert photo.taken_at == datetime.fromisoformat("2026-08-11T10:20:30-07:00")
    assert Doubt.NO_DATE not in photo.doubts


@pytest.mark.parametrize("offset", [{}, {"x9011": "somewhere"}], ids=["none", "nonsense"])
def test_a_date_without_time_zone_stays_without(tmp_path: Path, offset: dict[str, str]) -> None:
    path = save(tmp_path / "photo.jpg", UPRIGHT, x9003="2026:08:11 10:20:30", **offset)
    _, photo = read_photo(path)
    assert photo.taken_at == datetime.fromisoformat("2026-08-11T10:20:30")
    assert photo.taken_at.tzinfo is None


@pytest.mark.parametrize("date", ["", "0000:00:00 00:00:00", "yesterday", "2026:13:45 10:00:00"])
def test_a_photo_without_a_real_date_says_so(tmp_path: Path, date: str) -> None:
    _, photo = read_photo(save(tmp_path / "photo.jpg", UPRIGHT, x9003=date))
    assert photo.taken_at is None
    assert Doubt.NO_DATE in photo.doubts


def test_lens_and_camera_are_named_once(tmp_path: Path) -> None:
    path = save(tmp_path / "photo.jpg", UPRIGHT, xA434="Larkhill Nine back camera 5.7mm", xA405=26)
    _, photo = read_photo(path)
    assert photo.lens == "Larkhill Nine back camera 5.7mm"
    assert photo.focal_35mm == 26
    # 64 x 48 px have a diagonal of 80 px; CIPA DCG-001 takes 43.27 mm for 35 mm film.
    assert photo.focal_px == pytest.approx(26 / 43.27 * 80, rel=1e-3)


def test_a_focal_length_of_zero_is_unknown(tmp_path: Path) -> None:
    _, photo = read_photo(save(tmp_path / "photo.jpg", UPRIGHT, xA405=0))
    assert photo.focal_px is None


@pytest.mark.parametrize(
    ("taken", "known"), [((640, 480), True), ((480, 640), True), ((640, 640), False)]
)
def test_a_cropped_photo_has_no_focal_length(
    tmp_path: Path, taken: tuple[int, int], known: bool
) -> None:
    path = save(tmp_path / "photo.jpg", UPRIGHT, xA405=26, xA002=taken[0], xA003=taken[1])
    assert (read_photo(path)[1].focal_px is not None) == known


@pytest.mark.parametrize(
    ("sides", "expected"),
    [(("S", "E"), (-41.5, 175.25)), (("N", "W"), (41.5, -175.25))],
    ids=["south east", "north west"],
)
def test_the_place_is_read(
    tmp_path: Path, sides: tuple[str, str], expected: tuple[float, float]
) -> None:
    exif = PillowImage.Exif()
    exif.get_ifd(0x8825).update(
        {1: sides[0], 2: (41.0, 30.0, 0.0), 3: sides[1], 4: (175.0, 14.0, 60.0)}
    )
    path = tmp_path / "photo.jpg"
    PillowImage.fromarray(UPRIGHT).save(path, exif=exif)
    _, photo = read_photo(path)
    assert (photo.latitude_deg, photo.longitude_deg) == pytest.approx(expected)


@pytest.mark.parametrize(
    "place", [(0.0, 0.0, 0.0), (95.0, 0.0, 0.0), (41.0, 30.0)], ids=["0", "95", "two parts"]
)
def test_a_place_that_makes_no_sense_is_left_out(tmp_path: Path, place: tuple[float, ...]) -> None:
    exif = PillowImage.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: place, 3: "E", 4: (0.0, 0.0, 0.0)})
    path = tmp_path / "photo.jpg"
    PillowImage.fromarray(UPRIGHT).save(path, exif=exif)
    assert read_photo(path)[1].latitude_deg is None


def test_broken_tags_leave_a_photo(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    PillowImage.fromarray(UPRIGHT).save(path, quality=95, exif=b"Exif\0\0broken tags here")
    image, photo = read_photo(path)
    assert_upright(image, tolerance=8)
    assert Doubt.NO_DATE in photo.doubts


# ---------------------------------------------------------------- identity and folders


def test_the_same_photo_renamed_is_the_same_photo(jpeg: Path, tmp_path: Path) -> None:
    copy = tmp_path / "another name.jpeg"
    copy.write_bytes(jpeg.read_bytes())
    expected = hashlib.sha256(jpeg.read_bytes()).hexdigest()
    assert photo_id_of(jpeg) == photo_id_of(copy) == read_photo(copy)[1].photo_id == expected


def test_folders_give_their_photos_sorted_and_nothing_else(tmp_path: Path) -> None:
    for name in ("b.JPG", "a.heic", "c.Png", "d.tiff", "notes.txt", ".hidden.jpg", "e.gif"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "inner.jpg").mkdir()
    named = tmp_path / "notes.txt"
    found = find_photos([tmp_path, named, tmp_path / "b.JPG"])
    assert [path.name for path in found] == ["a.heic", "b.JPG", "c.Png", "d.tiff", "notes.txt"]


# ---------------------------------------------------------------- sharp, dark, bright


def blur_by_motion(image: Image, length_px: int, direction_deg: float) -> Image:
    kernel = np.zeros((2 * length_px + 1, 2 * length_px + 1), np.float32)
    reach = np.array([np.cos(np.radians(direction_deg)), np.sin(np.radians(direction_deg))])
    ends = [tuple(int(v) for v in length_px + sign * length_px / 2 * reach) for sign in (-1, 1)]
    cv2.line(kernel, ends[0], ends[1], 1.0, lineType=cv2.LINE_AA)
    return np.asarray(cv2.filter2D(image, -1, kernel / kernel.sum()))


def read_as_png(folder: Path, image: Image) -> tuple[str, ...]:
    path = folder / "photo.png"
    PillowImage.fromarray(image).save(path, compress_level=1)
    return read_photo(path)[1].doubts


def test_a_sharp_photo_is_not_called_blurred(tmp_path: Path, sharp: Image) -> None:
    assert read_as_png(tmp_path, sharp) == (Doubt.NO_DATE,)


# The picture is 1,500 px wide: 7 px are 12 px of a photo 2,700 px wide.
@pytest.mark.parametrize("direction_deg", [0, 35, 90, 140])
def test_a_shaken_photo_is_called_blurred(
    tmp_path: Path, sharp: Image, direction_deg: float
) -> None:
    shaken = blur_by_motion(sharp, 8, direction_deg)
    assert Doubt.BLURRED in read_as_png(tmp_path, shaken)


def test_a_photo_out_of_focus_is_called_blurred_also_with_noise(
    tmp_path: Path, sharp: Image
) -> None:
    soft = cv2.GaussianBlur(sharp, (0, 0), 2.3).astype(np.float64)
    noisy = soft + np.random.default_rng(1).normal(0, 4, soft.shape)
    assert Doubt.BLURRED in read_as_png(tmp_path, np.clip(noisy, 0, 255).astype(np.uint8))


def test_filled_corners_do_not_change_sharpness(sharp: Image) -> None:
    grey = np.asarray(cv2.cvtColor(sharp, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    soft = np.asarray(cv2.GaussianBlur(grey, (0, 0), 3.0), dtype=np.uint8)
    filled = soft.copy()
    filled[:500, :500] = 114
    assert sharpness_of(filled) == pytest.approx(sharpness_of(soft), rel=0.15)
    assert sharpness_of(np.full((300, 400), 90, np.uint8)) == 0


def test_dark_and_bright_photos_are_named(tmp_path: Path, sharp: Image) -> None:
    assert Doubt.TOO_DARK in read_as_png(tmp_path, sharp // 6)
    assert Doubt.TOO_BRIGHT in read_as_png(tmp_path, 255 - sharp // 6)


# ---------------------------------------------------------------- files that are no photos


def png_that_claims(width_px: int, height_px: int) -> bytes:
    """A PNG of a few bytes whose head names a size."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body).to_bytes(4, "big")
        return len(body).to_bytes(4, "big") + kind + body + check

    head = width_px.to_bytes(4, "big") + height_px.to_bytes(4, "big") + b"\x08\x02\0\0\0"
    data = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + data


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "is empty"),
        (b"these are no pixels", "is no JPEG, PNG, HEIC or TIFF"),
        (b"GIF89a\x01\0\x01\0\0\0\0;", "is no JPEG, PNG, HEIC or TIFF"),
        (png_that_claims(12_500, 10_000), "125 megapixels, more than 120"),
        (png_that_claims(20_000, 10_000), "200 megapixels, more than 120"),
        (png_that_claims(4000, 3000), "is damaged"),
    ],
    ids=["0 bytes", "text", "GIF", "125 megapixels", "200 megapixels", "no data"],
)
def test_a_file_that_is_no_photo_is_named_with_what_to_do(
    tmp_path: Path, content: bytes, what: str
) -> None:
    path = tmp_path / "bad.jpg"
    path.write_bytes(content)
    with pytest.raises(PhotoUnreadable, match=rf"bad\.jpg .*{what}") as caught:
        read_photo(path)
    assert caught.value.fix.endswith(".")


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_jpeg_cut_short_is_refused(tmp_path: Path, sharp: Image, share: float) -> None:
    path = save(tmp_path / "short.jpg", sharp)
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * share)])
    with pytest.raises(PhotoUnreadable, match="damaged or cut short"):
        read_photo(path)


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(PhotoUnreadable, match=r"There is no file .*none\.jpg"):
        read_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoUnreadable, match="is a folder"):
        photo_id_of(tmp_path)


def test_a_name_that_the_disk_refuses_is_an_error_for_people(tmp_path: Path) -> None:
    with pytest.raises(PhotoUnreadable, match=r"can't be opened|no file"):
        read_photo(tmp_path / ("x" * 300 + ".jpg"))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads all")
def test_a_file_that_may_not_be_read_is_an_error_for_people(jpeg: Path) -> None:
    jpeg.chmod(0)
    with pytest.raises(PhotoUnreadable, match="can't be opened"):
        read_photo(jpeg)


@pytest.mark.parametrize("ending", [".jpg", ".png", ".tif", ".heic"])
def test_damaged_bytes_give_a_picture_or_our_error(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"photo{ending}"
    if ending == ".heic":
        path.write_bytes(base64.b85decode(HEIC[6]))
    else:
        save(path, UPRIGHT, x9003="2026:08:11 10:20:30")
    good = path.read_bytes()
    chance = np.random.default_rng(5)
    for _ in range(100):
        bad = bytearray(good)
        for place in chance.integers(len(bad), size=chance.integers(1, 13)):
            bad[place] = chance.integers(256)
        path.write_bytes(bytes(bad[: chance.integers(len(bad) // 2, len(bad), endpoint=True)]))
        try:
            image, _ = read_photo(path)
        except PhotoUnreadable:
            continue
        assert image.shape[2] == 3
