//! A passive network with diodes: conversion loss, isolation, spurs, compression, noise.
