"""Photographs and files of a case."""

from typing import Annotated, Any

from fastapi import APIRouter, File, Form, Header, Path, Request, Response, UploadFile
from starlette.responses import JSONResponse

from kb.errors import BadInput
from kb.model import FileWords, as_dict
from kb.service.cases import files
from kb.service.cases.files import Refused, StoredCaseFile
from kb.web.api import shapes
from kb.web.api.cases import version_of
from kb.web.dependencies import ShopHere
from kb.web.errors import error_body
from kb.web.file_responses import bytes_answer, content_answer

router = APIRouter()
Uid = Annotated[str, Path(max_length=64)]
_BYTES = bytes_answer("image/jpeg", "image/png", "image/webp", "application/pdf")


def file_body(file: StoredCaseFile) -> dict[str, Any]:
    """A file as the API tells of it."""
    words = as_dict(FileWords(caption=file.caption, marks=list(file.marks)))
    return {
        "file": file.uid,
        "case": file.case_uid,
        "sha256": file.content.content,
        "media_type": file.content.media_type,
        "size_bytes": file.content.size_bytes,
        "width_px": file.content.width_px,
        "height_px": file.content.height_px,
        "original_name": file.original_name,
        "caption": words.get("caption", ""),
        "marks": words.get("marks", []),
        "added_at": file.added_at.isoformat(),
        "added_by": file.added_by,
        "version": file.version,
        "content": f"/api/cases/{file.case_uid}/files/{file.uid}/content",
    }


def _refused(entries: tuple[Refused, ...]) -> list[dict[str, str]]:
    return [{"name": one.name, "message": one.message, "remedy": one.remedy} for one in entries]


@router.get("/cases/{uid}/files", response_model=shapes.FilesOut)
def list_files(shop: ShopHere, uid: Uid) -> dict[str, Any]:
    """The files of a case in their order, those in the bin left out."""
    return {"files": [file_body(one) for one in files.listed(shop, uid).kept]}


@router.post("/cases/{uid}/files", status_code=201, response_model=shapes.FilesSentOut)
def add_files(
    shop: ShopHere,
    uid: Uid,
    file: Annotated[list[UploadFile], File()],
    caption: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Adds up to 40 pictures (JPEG, PNG, WebP, HEIC) and PDFs; what is refused does not lose the others.

    201 where at least one was kept, with what was refused beside it; 422 with the first reason where none was.
    """
    sent = files.add(shop, uid, [(one.filename or "", one.file) for one in file], caption=caption)
    body = {"files": [file_body(one) for one in sent.kept], "refused": _refused(sent.refused)}
    if sent.kept:
        return JSONResponse(body, status_code=201)
    first = sent.refused[0]
    refusal = BadInput(first.message, field="file", remedy=first.remedy or None)
    return JSONResponse({**error_body(refusal), **body}, status_code=422)


@router.get("/cases/{uid}/files/{file}", response_model=shapes.FileOut)
def get_file(shop: ShopHere, uid: Uid, file: Uid, response: Response) -> dict[str, Any]:
    """What is known of one file, with its version; its bytes are at `content`."""
    return _answer(files.stored(shop, uid, file, binned=False), response)


def _answer(found: StoredCaseFile, response: Response) -> dict[str, Any]:
    response.headers["ETag"] = f'"{found.version}"'
    return file_body(found)


@router.get("/cases/{uid}/files/{file}/content", response_class=Response, responses=_BYTES)
def get_content(request: Request, shop: ShopHere, uid: Uid, file: Uid) -> Response:
    """The bytes of one file."""
    return content_answer(request, shop, files.stored(shop, uid, file, binned=False))


@router.put("/cases/{uid}/files/{file}", response_model=shapes.FileOut)
def describe_file(
    shop: ShopHere,
    uid: Uid,
    file: Uid,
    body: FileWords,
    response: Response,
    if_match: str | None = Header(None),
) -> dict[str, Any]:
    """Replaces caption and marks. `If-Match` names the version that was read; another version answers 412."""
    files.stored(shop, uid, file, binned=False)
    return _answer(files.describe(shop, uid, file, body, expected_version=version_of(if_match)), response)


@router.delete("/cases/{uid}/files/{file}", status_code=204)
def bin_file(shop: ShopHere, uid: Uid, file: Uid, if_match: str | None = Header(None)) -> Response:
    """Removes a file from its case; on the case's page it can be taken back."""
    files.stored(shop, uid, file, binned=False)
    files.put_in_bin(shop, uid, file, expected_version=version_of(if_match) if if_match else None)
    return Response(status_code=204)
