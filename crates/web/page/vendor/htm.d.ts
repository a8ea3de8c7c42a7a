export { default } from 'htm';
