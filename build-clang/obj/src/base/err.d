build-clang/obj/src/base/err.o: src/base/err.c src/base/err.h

src/base/err.h:
