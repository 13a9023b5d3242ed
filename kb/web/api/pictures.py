"""Pictures of a family's board with what is where on them."""

from typing import Annotated, Any

from fastapi import APIRouter, File, Form, Header, Path, Request, Response, UploadFile
from pydantic import BaseModel

from kb.errors import BadInput
from kb.model import PictureRecord, as_dict
from kb.service import Shop
from kb.service.boards import pictures
from kb.web.api.cases import version_of
from kb.web.dependencies import ShopHere
from kb.web.file_responses import bytes_answer, stored_picture_answer
from kb.web.rendering import record_path

router = APIRouter()
Uid = Annotated[str, Path(max_length=64)]
_BYTES = bytes_answer("image/jpeg", "image/png", "image/webp")


class PictureBody(PictureRecord):
    """A picture as `GET` returns it: the version may be sent back, but `If-Match` decides."""

    version: int | None = None
    here: bool | None = None

    def record_only(self) -> PictureRecord:
        return PictureRecord.model_validate(
            self.model_dump(mode="json", exclude={"version", "here", "image"})
        )


class PictureOut(BaseModel, extra="allow"):
    """A picture record with its version; `here` says whether its bytes are."""

    version: int
    here: bool


class PicturesOut(BaseModel):
    """The pictures of a family that are in use, the component side first."""

    pictures: list[PictureOut]


def _body(seen: pictures.PictureView) -> dict[str, Any]:
    return {**as_dict(seen.record), "version": seen.version, "here": seen.is_here}


@router.get("/families/{code}/pictures")
def list_pictures(shop: ShopHere, code: str) -> PicturesOut:
    """The pictures of a family's board and what is where on them, in fractions of each picture."""
    return PicturesOut.model_validate(
        {"pictures": [_body(one) for one in pictures.of_family(shop, code).used]}
    )


@router.post("/families/{code}/pictures", status_code=201)
def add_picture(
    shop: ShopHere,
    code: str,
    response: Response,
    file: Annotated[UploadFile, File()],
    side: Annotated[str, Form(max_length=80)] = pictures.SIDES[0],
) -> PictureOut:
    """Adds a picture (JPEG, PNG, WebP, HEIC) of one side of the board; the same one sent again is one picture."""
    seen = pictures.add(shop, code, file.filename or "", file.file, side=side)
    response.headers["Location"] = "/api" + record_path("picture", seen.record.uid)
    return _answer(shop, seen.record.uid, response)


def _answer(shop: Shop, uid: str, response: Response) -> PictureOut:
    seen = pictures.view(shop, uid)
    response.headers["ETag"] = f'"{seen.version}"'
    return PictureOut.model_validate(_body(seen))


@router.get("/pictures/{uid}")
def get_picture(shop: ShopHere, uid: Uid, response: Response) -> PictureOut:
    """A picture's record with its version."""
    return _answer(shop, uid, response)


@router.put("/pictures/{uid}")
def change_picture(
    shop: ShopHere, uid: Uid, body: PictureBody, response: Response, if_match: str | None = Header(None)
) -> PictureOut:
    """Replaces corners, scale and pins; the picture itself stays. `If-Match` names the version that was read."""
    version = version_of(if_match)
    if body.uid != uid:
        raise BadInput(
            "The number in the record is not the one in the address.",
            field="uid",
            remedy="Send the record to its own address.",
        )
    pictures.save(shop, body.record_only(), expected_version=version)
    return _answer(shop, uid, response)


@router.get("/pictures/{uid}/content", response_class=Response, responses=_BYTES)
def picture_content(request: Request, shop: ShopHere, uid: Uid) -> Response:
    """The bytes of a picture as it is kept."""
    return stored_picture_answer(request, shop, pictures.view(shop, uid))
