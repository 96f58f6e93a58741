build-clang/obj/src/image/decode.o: src/image/decode.c src/image/decode.h \
  src/base/err.h src/base/mem.h src/image/decode_part.h src/image/exif.h

src/image/decode.h:

src/base/err.h:

src/base/mem.h:

src/image/decode_part.h:

src/image/exif.h:
